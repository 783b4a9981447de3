package check

import (
	"math"
	"slices"

	"muster/internal/boat"
)

// copyOf finds the supplier of which s only repeats the quantity; nil when s is a source of its own. What changes is compared value by
// value. AIS, time and variation do not change so; there a display without a receiver of its own is no source beside one that measures.
func (p *Pass) copyOf(q *boat.Quantity, s *boat.Supplier, from []boat.Supplier) *boat.Supplier {
	for i := range from {
		c := p.later(from[i].ID, s.ID)
		repeats := func(m boat.Measure) bool { return c != nil && slices.Contains(c.measures, m.String()) }
		if slices.ContainsFunc(q.Measures, repeats) {
			return &from[i]
		}
	}
	if s.Device == nil || s.Device.Role != boat.RoleDisplay {
		return nil
	}
	for i := range from {
		o := &from[i]
		if o.Device != nil && o.Device.Role == boat.RoleDisplay || p.later(s.ID, o.ID) != nil {
			continue
		}
		switch q.Name {
		case boat.AISTargets:
			return o // no display receives AIS itself: that is a device of another function in its NAME
		case boat.TimeOfDay:
			if !p.locates(s.ID) && p.alike(boat.ClockOffset, s.ID, o.ID, p.Settings.ClockMismatch.Sources.Seconds()) {
				return o
			}
		case boat.MagneticVariation:
			if p.alike(boat.Variation, s.ID, o.ID, variationStep) {
				return o
			}
		}
	}
	return nil
}

// variationStep is the resolution of the variation on the backbone, in rad. Two models of the earth's field differ by more.
const variationStep = 0.0001 * 1.01

// locates reports whether a source measures a position, which shows a receiver: one that it does not repeat.
func (p *Pass) locates(id string) bool {
	for _, s := range p.sources(boat.Position) {
		if s.ID == id {
			repeats := func(o *boat.Source) bool { return p.later(o.ID, id) != nil }
			return !slices.ContainsFunc(p.sources(boat.Position), repeats)
		}
	}
	return false
}

// alike reports whether two sources give a measure within a tolerance, in the unit of its values.
func (p *Pass) alike(m boat.Measure, a, b string, tolerance float64) bool {
	x, y := math.NaN(), math.NaN()
	for _, s := range p.sources(m) {
		switch s.ID {
		case a:
			x = s.Value
		case b:
			y = s.Value
		}
	}
	return math.Abs(x-y) <= tolerance
}
