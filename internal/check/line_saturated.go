package check

import (
	"fmt"

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
			Summary:  fmt.Sprintf("The line %s is %.0f %% full at %d baud", n.ID, 100*n.LoadRecent, n.BitRate),
			Evidence: evidence("load", round(n.LoadRecent), "limit", limit, "baud", n.BitRate),
			Remedy: "A talker that finds the line full leaves sentences out or sends them late. Switch off sentences that nobody reads, lower their rates, " +
				"or set talker and listeners to 38400 baud.",
		})
	}
}
