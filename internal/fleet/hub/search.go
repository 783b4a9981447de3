package hub

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"muster/internal/release"
)

// verdicts of a kind or device under a query.
const (
	no uint8 = iota
	yes
	unknown // whether it is older is not known
)

// ErrNoOrder means that nothing can be older, because the hub has no sheets.
var ErrNoOrder = errors.New("the order of versions is not known: give the hub the shop's release sheets with --sheets DIR")

// judged is the answer of a query for one kind.
type judged struct {
	verdict uint8
	text    bool   // the query's text is in it
	why     string // of unknown
}

// search finds the devices of a query: those that fit for certain by boat and place aboard, then those whose order is not known, then those
// that are away.
func (x *index) search(q Query, sheets *release.Sheets) ([]Hit, error) {
	if q.Below != "" && sheets == nil {
		return nil, ErrNoOrder
	}
	boats := x.list()
	x.mu.RLock()
	defer x.mu.RUnlock()
	kinds := make([]judged, len(x.kinds))
	fold := func(s string) string { return strings.ToLower(strings.TrimSpace(s)) }
	text, manufacturer, model, serial, role := fold(q.Text), fold(q.Manufacturer), fold(q.Model), fold(q.Serial),
		fold(q.Role)
	for i := range x.kinds {
		k := &x.kinds[i]
		if !contains(k.Manufacturer, manufacturer) || !contains(k.Model, model) || q.Version != "" && strings.TrimSpace(k.Software) != strings.TrimSpace(q.Version) {
			continue
		}
		kinds[i] = judged{verdict: yes, text: contains(k.Manufacturer, text) || contains(k.Model,
			text) || contains(k.Software, text)}
		if q.Below != "" {
			kinds[i].verdict, kinds[i].why = k.below(q.Below, sheets)
		}
	}
	runs := q.Below != "" || q.Version != "" // what is no longer aboard runs nothing
	var hits, apart, away []Hit
	for _, b := range boats {
		if q.Boat != "" && b.ID != q.Boat {
			continue
		}
		e := x.boats[b.ID]
		if e == nil || e.record == nil {
			continue
		}
		b = e.view // of the record whose kinds these are
		named := text != "" && (contains(b.ID, text) || contains(b.Name, text))
		for i, n := range e.kinds {
			j := &kinds[n]
			if j.verdict == no {
				continue
			}
			d := b.row(i)
			why := b.Away(d)
			if why != "" && (runs || d.Now != "") {
				continue
			}
			if !contains(d.Serial, serial) || role != "" && !contains(d.Role, role) ||
				!j.text && !named && !contains(d.Serial, text) && !contains(d.Role, text) {
				continue
			}
			h := Hit{Boat: b.ID, Name: b.Name, Device: d, Unknown: j.why, Away: why}
			if why != "" {
				if !x.superseded(b.ID, d) {
					away = append(away, h)
				}
				continue
			}
			if j.verdict == unknown {
				apart = append(apart, h)
				continue
			}
			if hits = append(hits, h); len(hits) == q.Limit {
				return hits, nil
			}
		}
	}
	hits = append(append(hits, apart...), away...)
	if q.Limit > 0 && len(hits) > q.Limit {
		hits = hits[:q.Limit]
	}
	return hits, nil
}

// row is one of the boat's units: those of the latest report, then those that left.
func (b *Boat) row(i int) *Device {
	if n := len(b.Devices); i >= n {
		return &b.Left[i-n]
	}
	return &b.Devices[i]
}

// below reports whether a kind runs something older than a version, which may be written as in a sheet or as sent.
func (k *Kind) below(version string, sheets *release.Sheets) (uint8, string) {
	if strings.TrimSpace(k.Software) == "" {
		return unknown, "it reported no version"
	}
	a := k.Assess(sheets)
	if a.Model == nil {
		if a.Problem != nil {
			return unknown, a.Problem.Text
		}
		return unknown, "no sheet describes it"
	}
	scheme, err := a.Model.Numbering.Compile()
	if err != nil {
		return unknown, err.Error()
	}
	have, err := scheme.Parse(k.Software)
	if err != nil && a.Running != "" { // written by hand, as in a sheet
		have, err = scheme.ParseListed(a.Running)
	}
	if err != nil {
		return unknown, err.Error()
	}
	want, err := scheme.Parse(version)
	if err != nil {
		want, err = scheme.ParseListed(version)
	}
	if err != nil {
		return unknown, fmt.Sprintf("%v in the numbering of %s", err, a.Model.Name)
	}
	c, err := release.Compare(have, want)
	switch {
	case err != nil:
		return unknown, err.Error()
	case c < 0:
		return yes, ""
	}
	return no, ""
}

// contains reports whether lower, which is in lower case, is anywhere in s without regard to case.
func contains(s, lower string) bool {
	if lower == "" {
		return true
	}
	if len(s) < len(lower) && !hasWide(s) {
		return false
	}
	for i := range len(s) {
		if s[i] >= utf8.RuneSelf {
			return strings.Contains(strings.ToLower(s), lower)
		}
	}
	for i := 0; i+len(lower) <= len(s); i++ {
		j := 0
		for j < len(lower) && byte(unicode.ToLower(rune(s[i+j]))) == lower[j] {
			j++
		}
		if j == len(lower) {
			return true
		}
	}
	return false
}

func hasWide(s string) bool {
	return strings.IndexFunc(s, func(r rune) bool { return r >= utf8.RuneSelf }) >= 0
}
