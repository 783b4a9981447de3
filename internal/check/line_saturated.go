package check

import (
	"muster/internal/event"
)

// lineSaturated: the load of an NMEA 0183 line in the last minute.
func lineSaturated(p *Pass) {
	s := &p.Settings.LineSaturated
	for _, n := range p.networks(event.NMEA0183) {
		if n.BitRate == 0 && n.Frames > 0 {
			p.NotJudged(n.ID, n.ID, "the baud rate of the line is unknown", NeedInterface)
			continue
		}
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
		p.Find(Finding{
			Severity: severity, Subject: n.ID, Network: n.ID,
			Values:   Values{"network": n.ID, "load": percent(load), "baud": n.BitRate, "limit": percent(limit)},
			Evidence: evidence("load", round(load), "limit", limit, "baud", n.BitRate),
		})
	}
}
