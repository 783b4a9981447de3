package check

import (
	"muster/internal/event"
)

// badChecksum: sentences of the last full minute whose checksum is wrong.
func badChecksum(p *Pass) {
	for _, n := range p.networks(event.NMEA0183) {
		if n.Recent.ChecksumErrors < p.Settings.BadChecksum.PerMinute {
			continue
		}
		p.Find(Finding{
			Subject: n.ID, Network: n.ID,
			Values:   Values{"count": plural(n.Recent.ChecksumErrors, "sentence"), "network": n.ID},
			Evidence: evidence("per_minute", n.Recent.ChecksumErrors, "total", n.Faults.ChecksumErrors, "lines", n.Frames),
		})
	}
}
