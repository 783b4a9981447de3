package check

import (
	"fmt"

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
			Summary:  fmt.Sprintf("muster's adapter has been off the bus on %s%s and hears nothing", n.ID, p.since(n.BusOffSince)),
			Evidence: evidence("state", n.State, "since", n.BusOffSince, "per_minute", n.Recent.BusOff, "total", n.Faults.BusOff),
			Remedy: "Check that the interface runs at 250 kbit/s and that the data wires are not swapped or shorted, and that both terminators are there. " +
				"Let the interface restart by itself: ip link set " + n.ID + " type can restart-ms 1000. " + cautionWiring,
		}
		if !now {
			f.Severity = Warning
			f.Summary = fmt.Sprintf("muster's adapter on %s went off the bus and came back within the last minute", n.ID)
		}
		p.Find(f)
	}
}
