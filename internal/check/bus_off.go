package check

import (
	"muster/internal/boat"
	"muster/internal/event"
)

// isBusOff reads both the controller's state and the time since when it is off.
func isBusOff(n *boat.Network) bool { return n.State == "bus-off" || !n.BusOffSince.IsZero() }

// busOff: our controller is off the bus, or was within the last minute.
func busOff(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		now := isBusOff(n)
		if !now && n.Recent.BusOff == 0 {
			continue
		}
		f := Finding{
			Subject: n.ID, Network: n.ID, Since: n.BusOffSince,
			Values:   Values{"network": n.ID, "for": p.since(n.BusOffSince)},
			Evidence: evidence("state", n.State, "since", n.BusOffSince, "per_minute", n.Recent.BusOff, "total", n.Faults.BusOff),
		}
		if !now {
			f.Severity, f.Case = Warning, "back"
		}
		p.Find(f)
	}
}
