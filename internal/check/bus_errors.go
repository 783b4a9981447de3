package check

import (
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
		also := ""
		if passive {
			also = ", and its controller is error-passive"
		}
		p.Find(Finding{
			Severity: severity, Subject: n.ID, Network: n.ID, Since: n.FaultSince.ErrorFrames,
			Values:   Values{"count": plural(n.Recent.ErrorFrames, "bus error"), "network": n.ID, "passive": also},
			Evidence: evidence("per_minute", n.Recent.ErrorFrames, "total", n.Faults.ErrorFrames, "state", n.State, "since", n.FaultSince.ErrorFrames),
		})
	}
}
