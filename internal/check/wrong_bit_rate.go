package check

import (
	"muster/internal/event"
)

// nominalBitRate is the one bit rate of NMEA 2000 in bit/s (public summaries of the standard).
const nominalBitRate = 250_000

func wrongBitRate(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		switch n.BitRate {
		case 0:
			p.NotJudged(n.ID, n.ID, "the source does not report its bit rate", NeedInterface)
			continue
		case nominalBitRate:
			if !p.unheard(n) {
				p.Clear(n.ID, n.ID)
			}
			continue
		}
		p.Find(Finding{
			Subject: n.ID, Network: n.ID,
			Values:   Values{"network": n.ID, "rate": n.BitRate, "expected": nominalBitRate},
			Evidence: evidence("bit_rate", n.BitRate, "expected", nominalBitRate),
		})
	}
}
