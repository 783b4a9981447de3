package check

import (
	"muster/internal/boat"
	"muster/internal/event"
)

// busErrors: error frames of the last minute, or a controller that counts many.
func busErrors(p *Pass) {
	s := &p.Settings.BusErrors
	for _, n := range p.networks(event.NMEA2000) {
		passive := n.State == "passive"
		errors := p.lately(n, func(f *boat.Faults) uint64 { return f.ErrorFrames })
		if isBusOff(n) { // has a check of its own
			p.NotJudged(n.ID, n.ID, "the controller is off the bus", NeedTraffic)
			continue
		}
		if errors < s.Warning && !passive {
			p.clearBus(n)
			continue
		}
		severity := Warning
		if errors >= s.Critical || passive {
			severity = Critical
		}
		also := ""
		if passive {
			also = ", and its controller is error-passive"
		}
		p.Find(Finding{
			Severity: severity, Subject: n.ID, Network: n.ID, Since: n.FaultSince.ErrorFrames,
			Values:   Values{"count": plural(errors, "bus error"), "network": n.ID, "passive": also},
			Evidence: evidence("per_minute", errors, "total", n.Faults.ErrorFrames, "state", n.State, "since", n.FaultSince.ErrorFrames),
		})
	}
}
