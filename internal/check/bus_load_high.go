package check

import (
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
		p.Find(Finding{
			Severity: severity, Subject: n.ID, Network: n.ID,
			Values:   Values{"network": n.ID, "load": percent(load), "limit": percent(limit)},
			Evidence: evidence(facts...),
		})
	}
}
