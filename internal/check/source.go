package check

import (
	"math"
	"slices"
	"time"

	"muster/internal/boat"
)

// fresh is how old a value may be to be compared with another; of a slow source, as old as three of its intervals, up to a minute more.
func fresh(s *boat.Source) time.Duration {
	return max(10*time.Second, min(3*s.Trace.Every, 70*time.Second))
}

// sources yields the sources that gave the measure just now.
func (p *Pass) sources(m boat.Measure) []*boat.Source {
	type of struct{ boat.Measure }
	return Once(p, of{m}, func() (list []*boat.Source) {
		for i := range p.State.Sources {
			if s := &p.State.Sources[i]; s.Measure == m && p.Now.Sub(s.At) <= fresh(s) {
				list = append(list, s)
			}
		}
		return list
	})
}

// source is the source of that id of the measure; nil when it gave nothing just now.
func (p *Pass) source(m boat.Measure, id string) *boat.Source {
	for _, s := range p.sources(m) {
		if s.ID == id {
			return s
		}
	}
	return nil
}

// middle is what a source gave lately: the median of its latest values.
func middle(s *boat.Source) float64 {
	if x, ok := s.Trace.Middle(); ok {
		return x.Value
	}
	return s.Value
}

// sourceLabel names a source of either world.
func (p *Pass) sourceLabel(id string) string {
	if u := p.State.Unit(id); u != nil && u.Name != nil && u.Network != "" && p.State.TalkerByID(id) == nil {
		return label(&u.Device)
	}
	if t := p.State.TalkerByID(id); t != nil {
		return t.Label()
	}
	return id
}

// deviceIDs are those of the ids that are devices of the report, sorted, each once; talkers have none of their own.
func (p *Pass) deviceIDs(all []string) []string {
	type known struct{}
	devices := Once(p, known{}, func() map[string]bool {
		ids := make(map[string]bool, len(p.State.Devices))
		for i := range p.State.Devices {
			ids[p.State.Devices[i].ID], ids[p.State.Devices[i].Unit] = true, true
		}
		return ids
	})
	out := make([]string, 0, len(all))
	for _, id := range all {
		if devices[id] {
			out = append(out, id)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// common is the one network that all sources are on, or "".
func common(list []*boat.Source) string {
	network := ""
	for i, s := range list {
		if i > 0 && s.Network != network {
			return ""
		}
		network = s.Network
	}
	return network
}

// lowest is the lowest value that fresh sources give, or fallback when there is none.
func (p *Pass) lowest(m boat.Measure, fallback float64) float64 {
	least := math.Inf(1)
	for _, x := range p.sources(m) {
		least = min(least, middle(x))
	}
	if math.IsInf(least, 1) {
		return fallback
	}
	return least
}

// highest is the highest value that a source gave just now; 0 when none did.
func (p *Pass) highest(m boat.Measure) float64 {
	most := 0.0
	for _, x := range p.sources(m) {
		most = max(most, middle(x))
	}
	return most
}
