package check

import (
	"muster/internal/boat"
	"muster/internal/event"
)

// badChecksum: sentences of the last minute whose checksum is wrong.
func badChecksum(p *Pass) {
	for _, n := range p.networks(event.NMEA0183) {
		bad := p.lately(n, func(f *boat.Faults) uint64 { return f.ChecksumErrors })
		if bad < p.Settings.BadChecksum.PerMinute {
			if !p.few(n, "line") {
				p.Clear(n.ID, n.ID)
			}
			continue
		}
		p.Find(Finding{
			Subject: n.ID, Network: n.ID,
			Values:   Values{"count": plural(bad, "sentence"), "network": n.ID},
			Evidence: evidence("per_minute", bad, "total", n.Faults.ChecksumErrors, "lines", n.Frames),
		})
	}
}
