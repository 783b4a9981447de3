package check

import (
	"fmt"

	"muster/internal/event"
)

// busErrors: error frames of the last full minute, or a controller that counts many.
func busErrors(p *Pass) {
	s := &p.Settings.BusErrors
	for _, n := range p.networks(event.NMEA2000) {
		passive := n.State == "passive"
		if isBusOff(n) || n.Recent.ErrorFrames < s.Warning && !passive {
			continue
		}
		severity := Warning
		if n.Recent.ErrorFrames >= s.Critical || passive {
			severity = Critical
		}
		summary := fmt.Sprintf("%s on %s within a minute", plural(n.Recent.ErrorFrames, "bus error"), n.ID)
		if passive {
			summary += "; its controller has gone error-passive"
		}
		p.Find(Finding{
			Severity: severity, Subject: n.ID, Network: n.ID, Since: n.FaultSince.ErrorFrames,
			Summary:  summary,
			Evidence: evidence("per_minute", n.Recent.ErrorFrames, "total", n.Faults.ErrorFrames, "state", n.State, "since", n.FaultSince.ErrorFrames),
			Remedy: "With the supply off, measure between the two data wires: about 60 ohms says that both terminators are there, 120 that one is missing, " +
				"less than 50 that there is one too many or a short. Then look for wet or loose plugs, drops that are too long, and a device at another bit rate: " +
				"unplug drops one at a time and watch whether the errors stop. " + cautionWiring,
		})
	}
}
