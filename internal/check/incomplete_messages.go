package check

import (
	"fmt"

	"muster/internal/event"
)

// incompleteMessages: multi-frame messages of the last full minute that did not arrive whole.
func incompleteMessages(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		lost := n.Recent.BrokenSequences + n.Recent.TransportErrors
		if lost < p.Settings.IncompleteMessages.PerMinute {
			continue
		}
		remedy := "Frames go missing on the backbone: look for bus errors, a busy bus and loose plugs near the device that sends them. " + cautionWiring
		if n.Recent.Dropped > 0 {
			remedy = "muster itself lost frames in the same minute, so the backbone may be well: mend that first, see frames-dropped."
		}
		p.Find(Finding{
			Subject: n.ID, Network: n.ID, Since: n.FaultSince.BrokenSequences,
			Summary: fmt.Sprintf("%s on %s arrived incomplete within a minute", plural(lost, "long message"), n.ID),
			Evidence: evidence("fast_packet", n.Recent.BrokenSequences, "iso_transport", n.Recent.TransportErrors, "dropped", n.Recent.Dropped,
				"total", n.Faults.BrokenSequences+n.Faults.TransportErrors, "since", n.FaultSince.BrokenSequences),
			Remedy: remedy,
		})
	}
}
