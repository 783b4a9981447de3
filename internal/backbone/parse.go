package backbone

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"muster/internal/boat"
	"muster/internal/input"
)

// Load reads a layout file. A mistake in it is an *input.Mistake, several are joined.
func Load(ctx context.Context, file string) (*Layout, error) {
	data, err := read(ctx, file)
	if err != nil {
		return nil, err
	}
	return Parse(ctx, file, data)
}

func read(ctx context.Context, file string) ([]byte, error) {
	data, err := input.File(ctx, file, input.MaxYAML)
	if _, bad := errors.AsType[*input.Mistake](err); err != nil && !bad {
		err = fmt.Errorf("layout: %w", err)
	}
	return data, err
}

// Belongs compares a layout that Load read from the file with the NMEA 2000 networks that there will be. A layout that can be of none of
// them is an *input.Mistake with the place of the key network, when the file has it.
func (l *Layout) Belongs(ctx context.Context, file string, networks []string) error {
	var message string
	switch {
	case len(networks) == 0:
		message = "no source is an NMEA 2000 network that it could be the plan of: add one to the sources, or leave the layout out"
	case l.Network == "" && len(networks) > 1:
		message = fmt.Sprintf("the sources are %d networks: write which one it is the plan of, network: %s for one", len(networks), networks[0])
	case l.Network != "" && !slices.Contains(networks, l.Network):
		message = fmt.Sprintf("no source is called %q: write one of %s, or give the source that id", l.Network, strings.Join(networks, ", "))
	default:
		return nil
	}
	if data, err := read(ctx, file); err == nil {
		if d, err := input.YAML(ctx, file, data, new(Layout), oldKeys...); err == nil {
			return unkeyed(d.Mistake("network", "%s", message))
		}
	}
	return &input.Mistake{File: file, Text: message}
}

// oldKeys are keys of the layout that have a new name.
var oldKeys = []input.OldKey{{Path: "adding", New: "proposed"}}

// Parse reads the text of a layout and checks that it makes sense as a backbone. A mistake in it is an *input.Mistake of the file,
// several are joined.
func Parse(ctx context.Context, file string, data []byte) (*Layout, error) {
	l := new(Layout)
	d, err := input.YAML(ctx, file, data, l, oldKeys...)
	if err != nil {
		return nil, err
	}
	for i := range l.Tees {
		for k := range l.Tees[i].Drops {
			l.Tees[i].Drops[k].At = l.Tees[i].At
		}
		currentRoles(l.Tees[i].Drops)
	}
	currentRoles(l.Proposed)
	if err := l.validate(d); err != nil {
		return nil, err
	}
	return l, nil
}

// currentRoles puts the current names of roles instead of old ones.
func currentRoles(drops []Drop) {
	for i := range drops {
		role, _ := boat.ParseRole(drops[i].Role)
		drops[i].Role = string(role)
	}
}

// unkeyed leaves the key out of a message that names the part of the backbone itself.
func unkeyed(m *input.Mistake) *input.Mistake {
	m.Key = ""
	return m
}

// Bounds of a layout. A cable longer than absurd metres is taken for a slip of the pen (own choice: the longest backbone is 200 m);
// the others leave room for three times what the rules allow.
const (
	absurd      = 500
	maxSegments = 150
	maxDrops    = 150
	maxName     = 60   // characters
	maxSupply   = 60.0 // volt
	maxFuse     = 100.0
	maxOhm      = 1e9
)

// talkerID is a talker as reports name it: its network and its letters.
var talkerID = regexp.MustCompile(`^.+/([A-Z][A-Z0-9]|P)$`)

var nameDigits = regexp.MustCompile(`^[0-9A-Fa-f]{16}$`)

// validator goes through a layout and collects what is wrong with it.
type validator struct {
	l    *Layout
	d    *input.Document
	ends map[string][]int // point → the segments that begin or end there, from 1
	errs []error
}

func (v *validator) bad(path, format string, args ...any) {
	v.errs = append(v.errs, unkeyed(v.d.Mistake(path, format, args...)))
}

func (l *Layout) validate(d *input.Document) error {
	v := &validator{l: l, d: d, ends: map[string][]int{}}
	v.segments()
	for i, t := range l.Tees {
		v.tee(i, t)
	}
	for i, x := range l.Proposed {
		path := fmt.Sprintf("proposed[%d]", i)
		v.point(path+".at", "proposed", x.At)
		v.drop(path, "proposed at "+x.At, x)
	}
	n := len(l.Proposed)
	for _, t := range l.Tees {
		n += len(t.Drops)
	}
	if n > maxDrops {
		v.bad("tees", "%d drop cables are more than any backbone can have: at most %d are checked", n, maxDrops)
	}
	for i, p := range l.Terminators {
		v.point(fmt.Sprintf("terminators[%d]", i), "terminator", p)
	}
	if len(l.Power) == 0 {
		v.bad("power", "power: no point feeds the backbone: give at and voltage")
	}
	for i, p := range l.Power {
		v.power(i, p)
	}
	if r := l.Readings.Resistance; r != nil && !(*r >= 0 && *r <= maxOhm) {
		v.bad("readings.resistance", "readings: a resistance of %g ohm cannot be", *r)
	}
	for i, r := range l.Readings.Voltage {
		path := fmt.Sprintf("readings.voltage[%d]", i)
		v.point(path+".at", "reading", r.At)
		if !(r.Voltage >= 0 && r.Voltage <= maxSupply) {
			v.bad(path+".voltage", "reading at %s: %g V is no voltage of a backbone", r.At, r.Voltage)
		}
	}
	for i, c := range l.Coverage {
		v.coverage(i, c)
	}
	return input.Mistakes(v.errs...)
}

func (v *validator) segments() {
	list := v.l.Segments
	switch {
	case len(list) == 0:
		v.bad("segments", "segments: there are none: give the backbone's cables from end to end")
	case len(list) > maxSegments:
		v.bad("segments", "segments: %d are more than any backbone has: at most %d are judged", len(list), maxSegments)
		return
	}
	for i, s := range list {
		path := fmt.Sprintf("segments[%d]", i)
		where := fmt.Sprintf("segment %d (%s to %s)", i+1, s.From, s.To)
		switch {
		case s.From == "" || s.To == "":
			v.bad(path, "segment %d: it needs from and to", i+1)
		case s.From == s.To:
			v.bad(path+".to", "%s: both ends are one point", where)
		}
		v.text(path+".from", "segment "+fmt.Sprint(i+1), s.From)
		v.text(path+".to", "segment "+fmt.Sprint(i+1), s.To)
		if s.Length <= 0 || s.Length > absurd {
			v.bad(path+".length", "%s: length %g m is not between 0 and %d m", where, s.Length, absurd)
		}
		if _, ok := cableOf(s.Cable); !ok {
			v.bad(path+".cable", "%s: unknown cable %q: use %s", where, s.Cable, cableNames())
		}
		v.ends[s.From], v.ends[s.To] = append(v.ends[s.From], i+1), append(v.ends[s.To], i+1)
	}
	for _, p := range v.l.Points() {
		if n := v.ends[p]; len(n) > 2 {
			v.bad(fmt.Sprintf("segments[%d]", n[2]-1), "%s: segments %v meet there; a backbone is one line, so at most two segments claim one end: make the others drop cables", p, n)
		}
	}
	if len(v.errs) == 0 {
		if i, err := v.l.oneLine(); err != nil {
			v.bad(fmt.Sprintf("segments[%d]", i), "%v", err)
		}
	}
}

// point checks that something is at a point of the backbone.
func (v *validator) point(path, what, p string) {
	if _, ok := v.ends[p]; !ok {
		v.bad(path, "%s: no segment begins or ends at %q", what, p)
	}
}

// text checks a name that people give.
func (v *validator) text(path, where, s string) {
	switch {
	case utf8.RuneCountInString(s) > maxName:
		v.bad(path, "%s: a name is longer than %d characters: shorten it", where, maxName)
	case s != boat.Printable(s):
		v.bad(path, "%s: %q holds a control character: write it in one plain line", where, s)
	}
}

func (v *validator) tee(i int, t Tee) {
	path := fmt.Sprintf("tees[%d]", i)
	v.point(path+".at", "tee", t.At)
	if k := slices.IndexFunc(v.l.Tees, func(o Tee) bool { return o.At == t.At }); k < i {
		v.bad(path+".at", "tee %s: given twice", t.At)
	}
	if t.Ports < 0 {
		v.bad(path+".ports", "tee %s: %d ports cannot be", t.At, t.Ports)
	}
	for k, x := range t.Drops {
		v.drop(fmt.Sprintf("%s.drops[%d]", path, k), "tee "+t.At, x)
	}
}

func (v *validator) drop(path, where string, d Drop) {
	if d.Device != "" {
		where += ", " + d.Device
	}
	v.text(path+".device", where, d.Device)
	v.text(path+".model", where, d.Model)
	if d.Length < 0 || d.Length > absurd {
		v.bad(path+".length", "%s: drop cable of %g m is not between 0 and %d m", where, d.Length, absurd)
	}
	if !(d.Load >= 0 && d.Load <= 252) {
		v.bad(path+".load", "%s: load equivalency %g is not between 0 and 252", where, d.Load)
	}
	if _, ok := cableOf(orMicro(d.Cable)); !ok {
		v.bad(path+".cable", "%s: unknown cable %q: use %s", where, d.Cable, cableNames())
	}
	if _, ok := boat.ParseRole(d.Role); d.Role != "" && !ok {
		v.bad(path+".role", "%s: unknown role %q: use %s", where, d.Role, roleNames())
	}
	if d.Name != "" && !nameDigits.MatchString(d.Name) {
		v.bad(path+".name", "%s: name %q is no NAME: write its 16 hexadecimal digits", where, d.Name)
	}
	if d.Measures != "" && d.Measures != ownConnection && !slices.ContainsFunc(v.l.Power, func(p Power) bool { return p.At == d.Measures }) {
		v.bad(path+".measures", "%s: measures %q: no power comes in there: name a point under power, or %q for the device's own connection", where, d.Measures, ownConnection)
	}
	if d.Instance != nil && d.Measures == "" {
		v.bad(path+".instance", "%s: instance is the battery that it measures, but measures is not given", where)
	}
}

func (v *validator) power(i int, p Power) {
	path := fmt.Sprintf("power[%d]", i)
	v.point(path+".at", "power", p.At)
	if k := slices.IndexFunc(v.l.Power, func(o Power) bool { return o.At == p.At }); k < i {
		v.bad(path+".at", "power at %s: given twice", p.At)
	}
	if p.Voltage <= 0 || p.Voltage > maxSupply {
		v.bad(path+".voltage", "power at %s: %g V is no network power for a backbone", p.At, p.Voltage)
	}
	if p.Fuse < 0 || p.Fuse > maxFuse {
		v.bad(path+".fuse", "power at %s: a fuse of %g A is none for a backbone", p.At, p.Fuse)
	}
	if p.Length < 0 || p.Length > absurd {
		v.bad(path+".length", "power at %s: length %g m is not between 0 and %d m", p.At, p.Length, absurd)
	}
	if _, ok := cableOf(orMicro(p.Cable)); !ok {
		v.bad(path+".cable", "power at %s: unknown cable %q: use %s", p.At, p.Cable, cableNames())
	}
}

func (v *validator) coverage(i int, c Coverage) {
	path := fmt.Sprintf("coverage[%d]", i)
	if !slices.ContainsFunc(boat.Quantities(), func(q boat.Quantity) bool { return q.Name == c.Quantity }) {
		v.bad(path+".quantity", "coverage: unknown quantity %q: use %s", c.Quantity, quantityNames())
	}
	planned := func(t Tee) bool {
		return slices.ContainsFunc(t.Drops, func(d Drop) bool { return d.Device == c.From || strings.EqualFold(d.Model, c.From) })
	}
	if c.From != "" && !talkerID.MatchString(c.From) && !slices.ContainsFunc(v.l.Tees, planned) {
		v.bad(path+".from", "coverage of %s: no drop cable has the device or model %q; a talker is written with its line, as in ttyUSB0/GP", c.Quantity, c.From)
	}
}

func roleNames() string {
	var names []string
	for _, r := range boat.Roles() {
		names = append(names, string(r))
	}
	return strings.Join(names, ", ")
}

// oneLine checks that the segments form one line without a loop and puts them in order from one end to the other. An error is about
// the segment of this number, from 0.
func (l *Layout) oneLine() (segment int, err error) {
	touching := map[string][]int{}
	for i, s := range l.Segments {
		touching[s.From], touching[s.To] = append(touching[s.From], i), append(touching[s.To], i)
	}
	start := ""
	for _, p := range l.Points() {
		if len(touching[p]) == 1 {
			start = p
			break
		}
	}
	if start == "" {
		return 0, fmt.Errorf("segment 1 (%s to %s): the segments form a loop; a backbone has two ends", l.Segments[0].From, l.Segments[0].To)
	}
	used := make([]bool, len(l.Segments))
	var line []Segment
	for at := start; ; {
		next := -1
		for _, i := range touching[at] {
			if !used[i] {
				next = i
			}
		}
		if next < 0 {
			break
		}
		used[next] = true
		s := l.Segments[next]
		if s.To == at {
			s.From, s.To = s.To, s.From
		}
		line = append(line, s)
		at = s.To
	}
	for i, s := range l.Segments {
		if !used[i] {
			return i, fmt.Errorf("segment %d (%s to %s): it is not connected with %s, or closes a loop", i+1, s.From, s.To, start)
		}
	}
	l.Segments = line
	return 0, nil
}
