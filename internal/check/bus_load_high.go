package check

import (
	"muster/internal/event"
)

// busLoadHigh: the load of the last full minute.
func busLoadHigh(p *Pass) {
	s := &p.Settings.BusLoadHigh
	for _, n := range p.networks(event.NMEA2000) {
		if n.LoadRecent < s.Warning {
			continue
		}
		severity, limit := Warning, s.Warning
		if n.LoadRecent >= s.Critical {
			severity, limit = Critical, s.Critical
		}
		facts := []any{"load", round(n.LoadRecent), "limit", limit}
		if n.Load != nil {
			facts = append(facts, "mean", round(n.Load.Mean), "peak", round(n.Load.Peak))
		}
		p.Find(Finding{
			Severity: severity, Subject: n.ID, Network: n.ID,
			Values:   Values{"network": n.ID, "load": percent(n.LoadRecent), "limit": percent(limit)},
			Evidence: evidence(facts...),
		})
	}
}
