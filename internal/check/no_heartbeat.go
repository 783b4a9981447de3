package check

import (
	"slices"
	"time"

	"muster/internal/boat"
)

// heartbeat is the message, and how often it comes by default (an open device stack).
const (
	pgnHeartbeat  = 126993
	heartbeatTime = time.Minute
)

// noHeartbeat: units that sent a heartbeat or declare that they send one, and are online without it. Older ones have
// none.
func noHeartbeat(p *Pass) {
	p.lacking = "no unit sends a heartbeat"
	const missed = 3
	for _, d := range p.others(speaking) {
		b := d.Heartbeat
		since, late := d.FirstSeen, missed*heartbeatTime
		switch {
		case b == nil && !slices.Contains(d.Declares, pgnHeartbeat):
			continue
		case b != nil:
			since, late = b.At, missed*max(heartbeatTime, b.Usual)
		}
		silence := p.Now.Sub(since)
		switch {
		case silence > late:
			p.Find(Finding{
				Subject: d.ID, Devices: []string{d.ID}, Network: d.Network, Since: since,
				Values:   Values{"device": label(d), "for": p.since(since)},
				Evidence: evidence("last", since, "heartbeats", count(b)),
			})
		case b != nil && b.Count > 1:
			p.Clear(d.Network, d.ID)
		default:
			p.Short(d.Network, d.ID, label(d)+" has sent "+plural(count(b), "heartbeat"), late-silence)
		}
	}
}

func count(b *boat.Beat) int {
	if b == nil {
		return 0
	}
	return int(b.Count)
}
