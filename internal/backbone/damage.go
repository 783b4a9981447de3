package backbone

import (
	"math"
	"slices"

	"muster/internal/report"
)

// Damage is what is wrong with the power conductors of a layout: ohms, there and back, in series with a part. +Inf cuts the part.
// Segments are counted along the line, drops as Layout.Drops lists them, feeds as Layout.Power does.
type Damage struct{ Segments, Drops, Feeds map[int]float64 }

// SolveDamaged computes voltages and currents of the layout with the damage. Where no power reaches, a voltage is nil.
func (l *Layout) SolveDamaged(d Damage) *Solution { return l.solution(l.wire(nil, d), nil) }

// join adds a cable with its damage between two nodes; one that is cut joins nothing. It returns the cable as it is with the damage.
func (w *wiring) join(e edge, damage float64) edge {
	e.ohm += damage
	if !math.IsInf(e.ohm, 1) {
		w.edges = append(w.edges, e)
	}
	return e
}

// Line lists the points in order from the first end to the other.
func (l *Layout) Line() []string { return l.line() }

// Drops lists every drop with its tee, in the order of the line.
func (l *Layout) Drops() []Drop { return l.drops(nil) }

// Label is what the layout calls the device of the drop.
func (d Drop) Label() string { return d.label() }

// OwnConnection reports whether the device measures the voltage that it gets from the backbone.
func (d Drop) OwnConnection() bool { return d.Measures == ownConnection }

// Loop is the resistance of the cable's power conductors there and back, in ohm.
func (d Drop) Loop() float64 { return loop(d.Cable, d.Length) }

// Answering is the layout beside the units of one network.
type Answering struct {
	Devices      []*report.Device // of each of Layout.Drops; nil where none answers
	Extra        []*report.Device // units that are not in the layout
	Unidentified []*report.Device // units that did not identify themselves yet; they may be in the layout
}

// Answers finds the unit of every drop on a network, by NAME, model or role.
func (l *Layout) Answers(r *report.Report, network string) Answering {
	m := l.match(r, network)
	return Answering{m.found, m.extra, m.unidentified}
}

// Voltage is the voltage that the unit of a drop reports of where the layout says that it measures; nil when it reports none.
func (d Drop) Voltage(x *report.Device) *float64 {
	if t := voltageReport(x, d.Instance); t != nil && d.Measures != "" {
		return t.Volts
	}
	return nil
}

// Feed is the place in Layout.Power of the power point at p, -1 for none.
func (l *Layout) Feed(p string) int {
	return slices.IndexFunc(l.Power, func(x Power) bool { return x.At == p })
}
