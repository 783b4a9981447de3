package release

import (
	"fmt"
	"slices"
	"strings"
)

// Conditions under which some devices answer at all.
const (
	InWater  = "in-water"
	EngineOn = "engine-on"
)

// fits reports whether every criterion holds. The manufacturer's code decides for a device that claimed an address; for one entered by hand
// the manufacturer's name does, and product codes, which no screen shows, do not count.
func (m *Match) fits(u *Unit) bool {
	if u.ByHand == nil {
		if m.ManufacturerCode != nil {
			if u.ManufacturerCode == nil || *u.ManufacturerCode != *m.ManufacturerCode {
				return false
			}
		} else if m.Manufacturer != "" && !glob(m.Manufacturer, u.Manufacturer) {
			return false
		}
		if len(m.Products) > 0 && (u.Product == nil || !slices.Contains(m.Products, *u.Product)) {
			return false
		}
	} else if m.Model == "" || m.Manufacturer != "" && u.Manufacturer != "" && !glob(m.Manufacturer, u.Manufacturer) {
		return false
	}
	return m.Model == "" || u.Model != "" && glob(m.Model, u.Model)
}

// exact reports whether the entry means one model rather than many.
func (m *Match) exact() bool { return len(m.Products) > 0 || !strings.ContainsAny(m.Model, "*?") }

func (m Match) equal(o Match) bool {
	a, b := slices.Clone(m.Products), slices.Clone(o.Products)
	slices.Sort(a)
	slices.Sort(b)
	return strings.EqualFold(m.Manufacturer, o.Manufacturer) && strings.EqualFold(m.Model, o.Model) &&
		slices.Equal(a, b) &&
		(m.ManufacturerCode == nil) == (o.ManufacturerCode == nil) &&
		(m.ManufacturerCode == nil || *m.ManufacturerCode == *o.ManufacturerCode)
}

// find returns the entry for a device, nil when there is none. An entry that means one model goes before one with wildcards; two
// of the same rank contradict each other.
func (s *Sheets) find(u *Unit) (*Model, *Problem) {
	if s == nil {
		return nil, nil
	}
	var best []*Model
	for _, m := range s.Models {
		if !m.Match.fits(u) {
			continue
		}
		if len(best) > 0 && best[0].Match.exact() != m.Match.exact() {
			if m.Match.exact() {
				best = []*Model{m}
			}
			continue
		}
		best = append(best, m)
	}
	switch len(best) {
	case 0:
		return nil, nil
	case 1:
		return best[0], nil
	}
	p := &Problem{Code: Contradiction, Device: u.ID, Remedy: "narrow the match of one of them",
		Text: fmt.Sprintf("%s fits %q and %q alike", u.mark(), best[0].Name, best[1].Name)}
	for _, m := range best {
		p.Places = append(p.Places, m.Place.String())
	}
	return nil, p
}

// glob matches without case; * is any text, ? one character. It takes time len(pattern) × len(s) at most.
func glob(pattern, s string) bool {
	p, t := []rune(strings.ToLower(pattern)), []rune(strings.ToLower(s))
	i, j, star, mark := 0, 0, -1, 0
	for j < len(t) {
		switch {
		case i < len(p) && p[i] == '*':
			star, mark = i, j
			i++
		case i < len(p) && (p[i] == '?' || p[i] == t[j]):
			i++
			j++
		case star >= 0:
			mark++
			i, j = star+1, mark
		default:
			return false
		}
	}
	for i < len(p) && p[i] == '*' {
		i++
	}
	return i == len(p)
}
