package locate

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"muster/internal/backbone"
)

// The kinds of reading.
type readingKind uint8

const (
	readsVolts     readingKind = iota // between NET-S and NET-C, power on
	readsAmps                         // of a feed
	readsOhm                          // between NET-H and NET-L, power off
	readsUnplugged                    // whether the errors are gone with something unplugged
	readsChecked                      // whether a part is faulty
)

// ofPower reports whether the reading depends on the state of the batteries and loads.
func (k readingKind) ofPower() bool { return k == readsVolts || k == readsAmps }

// Reading is what a person measured, or saw.
type Reading struct {
	Text  string
	kind  readingKind
	point int     // of the backbone
	drop  int     // at the plug of this unit, -1 for at the backbone
	side  int     // with the backbone opened at the point, to one side only: -1 to the first end, 1 to the other; 0 for not opened
	part  Part    // that was checked, or the feed
	value float64 // volt, ampere, ohm; for the others 1 for gone and faulty, 0 for not
}

// grammar is what a reading may be.
const grammar = `'tee 4: 11.2 V', 'current at feed bow: 2.1 A', 'signal wires at bow: 118 ohm', 'unplugged wind: errors gone' or 'checked terminator bow: OK'`

// ParseReading reads a reading of the layout: "PLACE: 11.2 V", "current at feed PLACE: 2.1 A", "signal wires at PLACE: 118 ohm", "unplugged PLACE: errors gone" (or stay),
// "checked PART: OK" (or faulty). PLACE is a point, a tee by its name or number, or a device, and may go on with "towards PLACE": then the
// backbone was opened there and the reading is of that side alone.
func ParseReading(l *backbone.Layout, text string) (Reading, error) {
	return newNetwork(l, "").reading(text)
}

func (n *network) reading(text string) (Reading, error) {
	r := Reading{Text: plain(text), drop: -1}
	k := strings.LastIndexByte(r.Text, ':')
	if k < 0 {
		return r, fmt.Errorf("reading %q: it has no colon before what was read: write %s", text, grammar)
	}
	where, what := strings.TrimSpace(r.Text[:k]), strings.ToLower(strings.TrimSpace(r.Text[k+1:]))
	var err error
	for _, form := range forms {
		place, ok := cutWord(where, form.word)
		if !ok {
			continue
		}
		r.kind = form.kind
		if r.value, err = form.read(what); err != nil {
			return r, fmt.Errorf("reading %q: %w", text, err)
		}
		switch r.kind {
		case readsChecked:
			r.part, err = n.findPart(place)
		case readsAmps:
			r.value = math.Abs(r.value) // a clamp meter the other way round shows a minus
			r.part, err = n.findPart("feed " + place)
		default:
			err = n.where(&r, place)
		}
		if err != nil {
			return r, fmt.Errorf("reading %q: %w", text, err)
		}
		return r, nil
	}
	return r, nil // the last form takes every place
}

// forms are the kinds of reading with the word that each begins with; the last begins with its place.
var forms = []struct {
	word string
	kind readingKind
	read func(string) (float64, error)
}{
	{"signal wires at ", readsOhm, ohms},
	{"data pair at ", readsOhm, ohms},
	{"current at feed ", readsAmps, number("a", "current", 200)},
	{"unplugged ", readsUnplugged, oneOf("errors gone", "errors stay")},
	{"checked ", readsChecked, oneOf("faulty", "ok")},
	{"", readsVolts, number("v", "voltage", 60)},
}

// number reads a value with its unit.
func number(unit, what string, most float64) func(string) (float64, error) {
	return func(s string) (float64, error) {
		text, ok := strings.CutSuffix(s, unit)
		v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
		if u := strings.ToUpper(unit); err != nil || !ok || !(math.Abs(v) <= most) {
			return 0, fmt.Errorf("%q is no %s between -%g %s and %g %s: write %s", s, what, most, u, most, u, grammar)
		}
		return v, nil
	}
}

func cutWord(s, word string) (string, bool) {
	if len(s) < len(word) || !strings.EqualFold(s[:len(word)], word) {
		return s, false
	}
	return s[len(word):], true
}

func ohms(s string) (float64, error) {
	if s == "open" {
		return open, nil
	}
	for _, u := range []struct {
		unit   string
		factor float64
	}{{"kohm", 1e3}, {"mohm", 1e6}, {"ohm", 1}, {"kω", 1e3}, {"mω", 1e6}, {"ω", 1}} {
		if number, ok := strings.CutSuffix(s, u.unit); ok {
			v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
			if err == nil && v >= 0 && v <= 1e9 {
				return v * u.factor, nil
			}
			break
		}
	}
	return 0, fmt.Errorf("%q is no resistance: write 60 ohm, 3 kohm or open", s)
}

func oneOf(yes, no string) func(string) (float64, error) {
	return func(s string) (float64, error) {
		switch s {
		case yes:
			return 1, nil
		case no:
			return 0, nil
		}
		return 0, fmt.Errorf("%q is not known: write %q or %q", s, yes, no)
	}
}

// where finds the place of a reading, and the side that it is of.
func (n *network) where(r *Reading, place string) error {
	place, towards, sided := strings.Cut(place, " towards ")
	if err := n.place(r, place); err != nil || !sided {
		return err
	}
	var end Reading
	if err := n.place(&end, towards); err != nil {
		return err
	}
	switch {
	case r.drop >= 0, end.point == r.point:
		return fmt.Errorf("%q has no side towards %q: name two points of the backbone", place, towards)
	case end.point < r.point:
		r.side = -1
	default:
		r.side = 1
	}
	return nil
}

// place finds a point of the backbone or the plug of a unit.
func (n *network) place(r *Reading, name string) error {
	name = plain(name)
	for i, p := range n.points {
		if strings.EqualFold(plain(p), name) {
			r.point, r.drop = i, -1
			return nil
		}
	}
	for d, device := range n.names {
		if bare := strings.TrimPrefix(strings.TrimPrefix(name, "unit "), "drop "); strings.EqualFold(plain(device), bare) {
			r.point, r.drop = n.at[d], d
			return nil
		}
	}
	if p, err := n.findPart(name); err == nil && p.Kind == kindTee {
		r.point, r.drop = p.I, -1
		return nil
	}
	return fmt.Errorf("the layout has no place %q: write one of %s", name, strings.Join(n.places(), ", "))
}

// places are some of the names that a reading may use.
func (n *network) places() []string {
	some := slices.Concat(n.points[:min(4, len(n.points))], n.names[:min(4, len(n.names))])
	for i := range some {
		some[i] = strconv.Quote(some[i])
	}
	return some
}
