package check

import (
	"muster/internal/boat"
	"muster/internal/event"
)

// incompleteMessages: multi-frame messages of the last minute that did not arrive whole.
func incompleteMessages(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		broken := p.lately(n, func(f *boat.Faults) uint64 { return f.BrokenSequences })
		aborted := p.lately(n, func(f *boat.Faults) uint64 { return f.TransportErrors })
		dropped := p.lately(n, func(f *boat.Faults) uint64 { return f.Dropped })
		lost := broken + aborted
		if lost < p.Settings.IncompleteMessages.PerMinute {
			if !p.few(n, "frame") {
				p.Clear(n.ID, n.ID)
			}
			continue
		}
		word := ""
		if dropped > 0 {
			word = "dropped"
		}
		p.Find(Finding{
			Case: word, Subject: n.ID, Network: n.ID, Since: n.FaultSince.BrokenSequences,
			Values: Values{"count": plural(lost, "multi-frame message"), "network": n.ID},
			Evidence: evidence("fast_packet", broken, "iso_transport", aborted, "dropped", dropped,
				"total", n.Faults.BrokenSequences+n.Faults.TransportErrors, "since", n.FaultSince.BrokenSequences),
		})
	}
}
