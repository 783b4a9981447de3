package boat

import "muster/internal/event"

// The words for a network's state.
const (
	stateActive  = "active"
	stateWarning = "warning"
	statePassive = "passive"
	stateBusOff  = "bus-off"
	stateStopped = "stopped"
	stateDown    = "down"
)

// Error classes of an error frame, and the details of a controller problem in its second byte (linux/can/error.h).
const (
	classController = 0x04
	classBusOff     = 0x40
	classRestarted  = 0x100
	classCounters   = 0x200

	controllerWarning = 0x04 | 0x08
	controllerPassive = 0x10 | 0x20
	controllerActive  = 0x40
	controllerOverrun = 0x01 | 0x02 // received or to be sent
)

// happening takes an event that is no traffic.
func (n *network) happening(ev *event.Event) {
	count := uint64(ev.Count)
	switch ev.Kind {
	case event.KindErrorFrame:
		n.errorFrame(ev)
	case event.KindDropped:
		n.faults.Dropped += count
		if count > 0 {
			n.dropRun.add(ev.Time)
		}
	case event.KindOversize:
		n.faults.OversizeFrames += max(count, 1)
	case event.KindDamaged:
		n.faults.DamagedRecords += max(count, 1)
	case event.KindDown:
		if n.state != stateDown {
			n.faults.SourceLost++
			n.downSince = ev.Time
		}
		n.state, n.busOffSince = stateDown, 0
		if n.asm != nil {
			n.asm.Interrupted()
		}
	case event.KindUp:
		n.state, n.downSince, n.busOffSince = "", 0, 0
	case event.KindBitRate:
		n.info.BitRate = ev.Count
	case event.KindController:
		states := [...]string{stateActive, stateWarning, statePassive, stateBusOff, stateStopped}
		if count < uint64(len(states)) {
			n.controller(states[count], ev.Time)
		}
	}
}

// controller notes the state of the CAN controller.
func (n *network) controller(state string, t event.Time) {
	if state == stateBusOff && n.state != stateBusOff {
		n.faults.BusOff++
		n.busOffSince = t
	}
	if state != stateBusOff {
		n.busOffSince = 0
	}
	n.state, n.downSince = state, 0
}

func (n *network) errorFrame(ev *event.Event) {
	class := ev.Frame.ID
	if class&^uint32(classRestarted|classCounters) == 0 && class&classRestarted != 0 {
		n.controller(stateActive, ev.Time) // the controller works again: no error
		return
	}
	detail := ev.Frame.Data[1]
	if class&^uint32(classController|classCounters) == 0 && detail == controllerActive {
		n.controller(stateActive, ev.Time)
		return
	}
	if class&^uint32(classController|classCounters) == 0 && detail&controllerOverrun != 0 &&
		detail&^controllerOverrun == 0 {
		if n.info.Timing.SamplePoint == 0 { // otherwise the driver counts them, and they come as dropped
			n.happening(&event.Event{Kind: event.KindDropped, Time: ev.Time, Count: 1})
		}
		return // the computer was late: the bus is not at fault
	}
	n.faults.ErrorFrames++
	n.errorRun.add(ev.Time)
	switch {
	case class&classBusOff != 0:
		n.controller(stateBusOff, ev.Time)
	case class&classController != 0 && detail&controllerPassive != 0:
		n.controller(statePassive, ev.Time)
	case class&classController != 0 && detail&controllerWarning != 0:
		n.controller(stateWarning, ev.Time)
	}
}
