package check

import (
	"fmt"

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
			Summary:  fmt.Sprintf("%s carries %.0f %% of what it can", n.ID, 100*n.LoadRecent),
			Evidence: evidence(facts...),
			Remedy: "See in the device list who sends most. Switch off messages and duplicate sources that nobody uses, lower rates where the device allows it, " +
				"or split the network with a bridge. Above three quarters, messages of low priority come late.",
		})
	}
}
