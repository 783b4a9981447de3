package check

import (
	"muster/internal/event"
)

// incompleteMessages: multi-frame messages of the last full minute that did not arrive whole.
func incompleteMessages(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		lost := n.Recent.BrokenSequences + n.Recent.TransportErrors
		if lost < p.Settings.IncompleteMessages.PerMinute {
			continue
		}
		word := ""
		if n.Recent.Dropped > 0 {
			word = "dropped"
		}
		p.Find(Finding{
			Case: word, Subject: n.ID, Network: n.ID, Since: n.FaultSince.BrokenSequences,
			Values: Values{"count": plural(lost, "multi-frame message"), "network": n.ID},
			Evidence: evidence("fast_packet", n.Recent.BrokenSequences, "iso_transport", n.Recent.TransportErrors, "dropped", n.Recent.Dropped,
				"total", n.Faults.BrokenSequences+n.Faults.TransportErrors, "since", n.FaultSince.BrokenSequences),
		})
	}
}
