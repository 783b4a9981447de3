package check

import (
	"muster/internal/event"
)

// lineSaturated: the load of an NMEA 0183 line in the last full minute.
func lineSaturated(p *Pass) {
	s := &p.Settings.LineSaturated
	for _, n := range p.networks(event.NMEA0183) {
		if n.BitRate == 0 || n.LoadRecent < s.Warning {
			continue
		}
		severity, limit := Warning, s.Warning
		if n.LoadRecent >= s.Critical {
			severity, limit = Critical, s.Critical
		}
		p.Find(Finding{
			Severity: severity, Subject: n.ID, Network: n.ID,
			Values:   Values{"network": n.ID, "load": percent(n.LoadRecent), "baud": n.BitRate, "limit": percent(limit)},
			Evidence: evidence("load", round(n.LoadRecent), "limit", limit, "baud", n.BitRate),
		})
	}
}
