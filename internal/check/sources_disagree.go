package check

import (
	"fmt"
	"math"
	"slices"
	"time"

	"muster/internal/boat"
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
		d := p.disagreement(m, tolerance, list)
		switch {
		case d.agreed == 0 && d.worst == 0:
			p.NotJudged("", m.String(), m.String()+": its sources cannot be compared: they send at moments too far apart, or differ in the variation", NeedTraffic)
			continue
		case d.worst == 0:
			p.Clear("", m.String())
			continue
		}
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
		proof := evidence("values", values, "difference", round(d.worst), "tolerance", round(d.limit), "unit", info.Unit)
		also := ""
		if odd := d.odd(); odd >= 0 {
			also = "; only " + p.sourceLabel(list[odd].ID) + " differs from all others, which agree within " + quantity(roundUp(d.near, info.Unit), info.Unit)
			proof["odd"], proof["others_within"] = list[odd].ID, round(d.near)
		}
		p.Find(Finding{
			Subject: m.String(), Devices: p.deviceIDs(ids), Network: common(list), Evidence: proof,
			Values: Values{"measure": m, "difference": quantity(d.worst, info.Unit), "limit": quantity(d.limit, info.Unit), "sources": enumerate(words), "odd": also},
		})
	}
}

// A disagreement is how the sources of a measure compare, two by two.
type disagreement struct {
	worst, limit float64 // the greatest difference that is too much, and its limit
	near         float64 // the greatest difference of two that agree
	agreed       int     // pairs that agree
	against      []int   // how many others each disagrees with
}

func (p *Pass) disagreement(m boat.Measure, tolerance float64, list []*boat.Source) disagreement {
	d := disagreement{against: make([]int, len(list))}
	for i := range list {
		for j := range i {
			moved, ok := p.between(m, list[i], list[j])
			if !ok {
				continue
			}
			apart, most := m.Difference(list[i], list[j]), m.Limit(tolerance, list[i], list[j])
			if apart <= most+moved {
				d.agreed++
				d.near = max(d.near, apart)
				continue
			}
			if apart > d.worst {
				d.worst, d.limit = apart, most
			}
			d.against[i]++
			d.against[j]++
		}
	}
	return d
}

// odd is the one source of three or more that disagrees with every other, while these agree with each other; -1 for none.
func (d *disagreement) odd() int {
	others := len(d.against) - 1
	if others < 2 || d.agreed != others*(others-1)/2 {
		return -1
	}
	return slices.Index(d.against, others)
}

// together is how far apart in time two values may be and still be of one moment; what changes slowly waits longer.
const together = 2 * time.Second

// between is how far the boat may have moved a position between the moments of two sources, and whether the two can
// be compared at all.
func (p *Pass) between(m boat.Measure, a, b *boat.Source) (moved float64, ok bool) {
	if a.FromMagnetic != b.FromMagnetic && p.variationDisputed() {
		return 0, false
	}
	apart := a.At.Sub(b.At).Abs()
	switch m {
	case boat.Variation, boat.WaterTemperature, boat.Pressure, boat.Humidity:
		return 0, true
	case boat.Position:
		if len(p.sources(boat.SpeedOverGround)) > 0 {
			return p.highest(boat.SpeedOverGround) * apart.Seconds(), true
		}
	}
	return 0, apart <= together
}

// variationDisputed reports whether sources differ in the variation: then a magnetic direction cannot be compared with a true one.
func (p *Pass) variationDisputed() bool {
	list, tolerance := p.sources(boat.Variation), p.Settings.SourcesDisagree.tolerance(boat.Variation)
	return tolerance > 0 && slices.ContainsFunc(list, func(s *boat.Source) bool { return boat.Variation.Difference(list[0], s) > tolerance })
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

// value is a source's value in the unit that people read.
func value(m boat.Measure, s *boat.Source) float64 {
	info := m.Info()
	v := s.Value * info.Scale
	switch {
	case m == boat.WaterTemperature:
		v -= 273.15
	case info.Compare == boat.Circular:
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
	return " " + quantity(value(m, s), m.Info().Unit)
}

// roundUp rounds a bound up to what quantity shows of it.
func roundUp(v float64, unit string) float64 {
	if unit == "deg" {
		return math.Ceil(v)
	}
	return math.Ceil(v*10) / 10
}

// quantity writes a value with its unit: "12.5 m", "143°".
func quantity(v float64, unit string) string {
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
