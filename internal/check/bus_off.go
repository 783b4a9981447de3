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
		lost := p.lately(n, func(f *boat.Faults) uint64 { return f.BusOff })
		if !now && lost == 0 {
			p.clearBus(n)
			continue
		}
		f := Finding{
			Subject: n.ID, Network: n.ID, Since: n.BusOffSince,
			Values:   Values{"network": n.ID, "for": p.since(n.BusOffSince)},
			Evidence: evidence("state", n.State, "since", n.BusOffSince, "per_minute", lost, "total", n.Faults.BusOff),
		}
		if !now {
			f.Severity, f.Case = Warning, "back"
		}
		p.Find(f)
	}
}

// clearBus clears the bus of what only its controller can report. Many adapters and recordings pass on none of it.
func (p *Pass) clearBus(n *boat.Network) {
	if p.unheard(n) {
		return
	}
	if n.State == "" && n.Faults.ErrorFrames == 0 {
		p.NotJudged(n.ID, n.ID, "the source does not report the state of its controller", NeedInterface)
		return
	}
	p.Clear(n.ID, n.ID)
}
