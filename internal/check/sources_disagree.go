package check

import (
	"fmt"
	"math"
	"slices"
	"time"

	"muster/internal/boat"
	"muster/internal/quantity"
)

// sourcesDisagree: two sources of one measure further apart than reliable ones are; one finding a measure.
func sourcesDisagree(p *Pass) {
	p.lacking = "no measured quantity was received"
	for _, m := range boat.Measures() {
		tolerance := p.Settings.SourcesDisagree.tolerance(m)
		list := p.sources(m)
		switch {
		case tolerance <= 0 || len(list) == 0 || m == boat.ClockOffset: // see clock-mismatch
			continue
		case len(list) == 1:
			p.NotJudged("", m.String(), m.String()+": one source, and nothing to compare it with", NeedSources)
			continue
		case p.meaningless(m):
			p.NotJudged("", m.String(), m.String()+": it means nothing at rest or in light wind", NeedTraffic)
			continue
		}
		d := p.compare(m, tolerance, list)
		switch {
		case d.apart > 0:
			p.reportDisagreement(m, list, &d)
		case d.agreed > 0:
			p.Clear("", m.String())
		case d.short > 0:
			p.Short("", m.String(), m.String()+": its sources have too few values at common moments", d.short)
		default:
			p.NotJudged("", m.String(), m.String()+": its sources cannot be compared: they send at moments too far apart, or differ in the variation", NeedTraffic)
		}
	}
}

func (p *Pass) reportDisagreement(m boat.Measure, list []*boat.Source, d *disagreement) {
	info := m.Info()
	var ids, words []string
	values := map[string]any{}
	for i, s := range list {
		if d.against[i] == 0 {
			continue
		}
		ids = append(ids, s.ID)
		words = append(words, p.sourceLabel(s.ID)+shown(m, s))
		if m == boat.Position {
			values[s.ID] = []float64{s.Value, s.Longitude}
		} else {
			values[s.ID] = round(value(m, s))
		}
	}
	w := &d.worst
	proof := evidence("values", values, "difference", round(w.Offset), "tolerance", round(w.limit), "unit", info.Unit,
		"moments", w.Instants, "moments_apart", w.Outside, "doubt", round(w.Doubt()))
	proof[SeriesKey] = traces(m, w.a, w.b, 0)
	if lag, like := quantity.Lag(&w.a.Trace, &w.b.Trace); like >= alike && lag.Abs() >= leastLag {
		proof["lag_ms"], proof["correlation"] = lag.Milliseconds(), round(like)
	}
	also := ""
	if odd, sure := d.odd(); odd >= 0 {
		near := d.near()
		also = fmt.Sprintf("; only %s differs from all others, which agree within %s (sure at %s %% of the moments)",
			p.sourceLabel(list[odd].ID), quantityText(roundUp(near, info.Unit), info.Unit), percent(sure))
		proof["odd"], proof["others_within"], proof["sure"] = list[odd].ID, round(near), round(sure)
	}
	p.Find(Finding{
		Subject: m.String(), Devices: p.deviceIDs(ids), Network: common(list), Evidence: proof,
		Values: Values{"measure": m, "difference": quantityText(w.Offset, info.Unit), "limit": quantityText(w.limit, info.Unit), "sources": enumerate(words), "odd": also},
	})
}

// A lag is told from this correlation on, and from this long on (common practice).
const (
	alike    = 0.9
	leastLag = 500 * time.Millisecond
)

// A pair is how two sources of a measure compare, in the unit of its Info.
type pair struct {
	quantity.Agreement
	a, b  *boat.Source
	i, j  int
	limit float64
	apart bool
}

// A disagreement is how the sources of a measure compare, two by two.
type disagreement struct {
	pairs         []pair // that could be compared
	worst         pair   // of those that differ, the one furthest beyond its limit
	agreed, apart int
	against       []int         // how many others each differs from
	short         time.Duration // how much longer it takes to compare more; 0 when that does not help
}

// compare compares the sources two by two, at common moments.
func (p *Pass) compare(m boat.Measure, tolerance float64, list []*boat.Source) disagreement {
	d := disagreement{against: make([]int, len(list))}
	for i, a := range list {
		for j, b := range list[:i] {
			if a.FromMagnetic != b.FromMagnetic && p.variationDisputed() {
				continue
			}
			x := pair{a: a, b: b, i: i, j: j, limit: m.Limit(tolerance, a, b)}
			scale := m.Info().Scale
			if x.Agreement = quantity.Agree(&a.Trace, &b.Trace, x.limit/scale); x.Apart(x.limit / scale) {
				x.limit += allowance(m, tolerance, a, b)
				x.Agreement = quantity.Agree(&a.Trace, &b.Trace, x.limit/scale)
			}
			if !x.Comparable() {
				if every := max(a.Trace.Every, b.Trace.Every); every < restless {
					d.short = max(d.short, max(every, time.Second))
				}
				continue
			}
			x.apart = x.Apart(x.limit / scale)
			x.Offset, x.Spread = scale*x.Offset, scale*x.Spread
			d.pairs = append(d.pairs, x)
			if !x.apart {
				d.agreed++
				continue
			}
			d.apart++
			d.against[i]++
			d.against[j]++
			if d.worst.a == nil || x.Offset > d.worst.Offset {
				d.worst = x
			}
		}
	}
	return d
}

// allowance is what two sources may differ by beside their accuracy: a step of resolution each, and how far the value goes while the one
// is older than the other.
func allowance(m boat.Measure, tolerance float64, a, b *boat.Source) (more float64) {
	info := m.Info()
	if info.Compare != quantity.GreatCircle {
		more = min(info.Scale*(a.Trace.Grain+b.Trace.Grain), tolerance/4)
	}
	return more + info.Scale*min(a.Trace.Rate(), b.Trace.Rate())*info.Age.Seconds()
}

// near is the greatest difference of two that agree.
func (d *disagreement) near() (near float64) {
	for i := range d.pairs {
		if !d.pairs[i].apart {
			near = max(near, d.pairs[i].Offset)
		}
	}
	return near
}

// odd is the one source of three or more that differs from every other, while these agree with each other; -1 for none. It is as sure as
// the share of the moments at which each two showed it.
func (d *disagreement) odd() (odd int, sure float64) {
	others := len(d.against) - 1
	if others < 2 || d.agreed != others*(others-1)/2 {
		return -1, 0
	}
	if odd = slices.Index(d.against, others); odd < 0 {
		return odd, 0
	}
	sure = 1
	for i := range d.pairs {
		x := &d.pairs[i]
		outside := float64(x.Outside) / float64(x.Instants)
		if x.i != odd && x.j != odd {
			outside = 1 - outside
		}
		sure = min(sure, outside)
	}
	return odd, sure
}

// variationDisputed reports whether sources differ in the variation: then a magnetic direction cannot be compared with a true one.
func (p *Pass) variationDisputed() bool {
	list, tolerance := p.sources(boat.Variation), p.Settings.SourcesDisagree.tolerance(boat.Variation)
	return tolerance > 0 && slices.ContainsFunc(list, func(s *boat.Source) bool {
		return boat.Variation.Difference(list[0], s) > tolerance
	})
}

// meaningless reports whether the measure has no meaning at present: a course at rest, the direction of hardly any wind.
func (p *Pass) meaningless(m boat.Measure) bool {
	const slow, light = 1, 2 // m/s
	switch m {
	case boat.CourseTrue, boat.CourseMagnetic:
		return p.highest(boat.SpeedOverGround) < slow // one receiver that is stuck at rest hides nothing
	case boat.ApparentWindAngle:
		return p.lowest(boat.ApparentWindSpeed, light) < light
	case boat.TrueWindAngle:
		return p.lowest(boat.TrueWindSpeed, light) < light
	case boat.GroundWindDirection:
		return p.lowest(boat.GroundWindSpeed, light) < light
	}
	return false
}

// value is what a source gave lately, in the unit that people read.
func value(m boat.Measure, s *boat.Source) float64 { return inUnit(m, middle(s)) }

// inUnit is a value of the measure in the unit that people read.
func inUnit(m boat.Measure, v float64) float64 {
	info := m.Info()
	v *= info.Scale
	switch {
	case m == boat.WaterTemperature:
		v -= 273.15
	case info.Compare == quantity.Circular:
		if v = math.Mod(v, 360); v < 0 {
			v += 360
		}
	}
	return v
}

// shown is " 12.5 m", or nothing for a position.
func shown(m boat.Measure, s *boat.Source) string {
	if m == boat.Position {
		return ""
	}
	return " " + quantityText(value(m, s), m.Info().Unit)
}

// roundUp rounds a bound up to what quantityText shows of it.
func roundUp(v float64, unit string) float64 {
	if unit == "deg" {
		return math.Ceil(v)
	}
	return math.Ceil(v*10) / 10
}

// quantityText writes a value with its unit: "12.5 m", "143°".
func quantityText(v float64, unit string) string {
	switch {
	case unit == "deg":
		return fmt.Sprintf("%.0f°", v)
	case unit == "deg/s":
		return fmt.Sprintf("%.1f°/s", v)
	case math.Abs(v) >= 100:
		return fmt.Sprintf("%.0f %s", v, unit)
	}
	return fmt.Sprintf("%.1f %s", v, unit)
}
