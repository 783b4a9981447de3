package check

import (
	"fmt"

	"muster/internal/event"
)

// nominalBitRate is the one bit rate of NMEA 2000 in bit/s (public summaries of the standard).
const nominalBitRate = 250_000

func wrongBitRate(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		if n.BitRate == 0 || n.BitRate == nominalBitRate {
			continue
		}
		p.Find(Finding{
			Subject: n.ID, Network: n.ID,
			Summary:  fmt.Sprintf("%s runs at %d bit/s instead of %d", n.ID, n.BitRate, nominalBitRate),
			Evidence: evidence("bit_rate", n.BitRate, "expected", nominalBitRate),
			Remedy: fmt.Sprintf("Set it right before you connect it, because a wrong rate disturbs every device: "+
				"ip link set %s down; ip link set %s up type can bitrate %d. If this is no NMEA 2000 backbone, take the network out of muster's config.", n.ID, n.ID, nominalBitRate),
		})
	}
}
