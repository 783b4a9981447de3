package check

import (
	"cmp"
	"fmt"
	"slices"

	"muster/internal/event"
)

// busLoadHigh: the load of the last minute.
func busLoadHigh(p *Pass) {
	s := &p.Settings.BusLoadHigh
	for _, n := range p.networks(event.NMEA2000) {
		load := p.load(n)
		if load < s.Warning {
			if !p.unheard(n) {
				p.Clear(n.ID, n.ID)
			}
			continue
		}
		severity, limit := Warning, s.Warning
		if load >= s.Critical {
			severity, limit = Critical, s.Critical
		}
		facts := []any{"load", round(load), "limit", limit}
		if n.Load != nil {
			facts = append(facts, "mean", round(n.Load.Mean), "peak", round(n.Load.Peak))
		}
		units, messages := p.loads(n.ID)
		facts = append(facts, "units", units, "messages", messages)
		p.Find(Finding{
			Severity: severity, Subject: n.ID, Network: n.ID,
			Values:   Values{"network": n.ID, "load": percent(load), "limit": percent(limit)},
			Evidence: evidence(facts...),
		})
	}
}

// loads names the units and the messages that make most of a network's load, each with its share of the bit rate in percent.
func (p *Pass) loads(network string) (units, messages []string) {
	type part struct {
		name  string
		share float64
	}
	var us, ms []part
	unit := map[string]int{}
	for _, d := range on(p.others(speaking), network) {
		i, known := unit[d.Unit]
		if !known || d.Unit == "" {
			i, unit[d.Unit] = len(us), len(us)
			us = append(us, part{name: label(d)})
		}
		us[i].share += d.Load
		for i := range d.Transmits {
			if t := &d.Transmits[i]; t.Load > 0 {
				ms = append(ms, part{fmt.Sprintf("%s (PGN %d) from %s", title(t), t.PGN, label(d)), t.Load})
			}
		}
	}
	top := func(parts []part) (words []string) {
		const most = 5
		slices.SortStableFunc(parts, func(a, b part) int { return cmp.Compare(b.share, a.share) })
		for _, x := range parts[:min(most, len(parts))] {
			if x.share >= 0.001 {
				words = append(words, fmt.Sprintf("%s %.1f %%", x.name, 100*x.share))
			}
		}
		return words
	}
	return top(us), top(ms)
}
