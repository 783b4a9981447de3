package check

import (
	"fmt"

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
			Summary:  fmt.Sprintf("%s with a wrong checksum on %s within a minute", plural(n.Recent.ChecksumErrors, "sentence"), n.ID),
			Evidence: evidence("per_minute", n.Recent.ChecksumErrors, "total", n.Faults.ChecksumErrors, "lines", n.Frames),
			Remedy: "Look for a loose or corroded terminal, two talkers wired onto one line, and a cable beside a charger or a radio antenna; " +
				"connect the talker's B wire instead of ground where both sides are differential. " + cautionWiring,
		})
	}
}
