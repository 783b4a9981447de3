package capture

import "muster/internal/event"

// Reason is why something in a capture could not be read. The set is closed, so it can label a count.
type Reason uint8

// The reasons.
const (
	ReasonForeign Reason = iota
	ReasonTime
	ReasonInterface
	ReasonTooManyInterfaces
	ReasonID
	ReasonData
	ReasonLength
	ReasonLongLine
	ReasonTorn
	ReasonRecord
	ReasonLinkType
	ReasonPacking
	reasonCount
	reasonNone // the line was good
	reasonSkip // the line is empty or a remark
)

var reasonText = [reasonCount][]byte{
	[]byte("not a line of a capture"),
	[]byte("bad time stamp"),
	[]byte("bad interface name"),
	[]byte("too many interfaces"),
	[]byte("bad identifier"),
	[]byte("bad data"),
	[]byte("bad data length"),
	[]byte("line too long"),
	[]byte("cut off at the end"),
	[]byte("impossible record"),
	[]byte("record of another link type"),
	[]byte("packing damaged"),
}

// String is the reason as Event.Line carries it.
func (r Reason) String() string {
	if r < reasonCount {
		return string(reasonText[r])
	}
	return "none"
}

const maxNetworks = 64 // more interfaces than any boat has; bounds what a hostile file can make us keep

// ledger keeps the networks of a capture and damage met before the first of them.
type ledger struct {
	nets     []*event.Network
	pending  [reasonCount]uint32
	waiting  bool // something is in pending
	fallback event.Network
	last     event.Time
	lastNet  uint16
}

// announce adds a network and returns the event that announces it.
func (l *ledger) announce(info event.Network, t event.Time) event.Event {
	l.nets = append(l.nets, &info)
	l.lastNet = uint16(len(l.nets) - 1)
	return event.Event{Kind: event.KindNetwork, Time: t, Network: l.lastNet, Info: &info}
}

// find finds a network by name. ok is false when it is new; clash is true when the name belongs to the other kind.
func (l *ledger) find(name []byte, kind event.NetworkKind) (i uint16, ok, clash bool) {
	if int(l.lastNet) < len(l.nets) {
		if n := l.nets[l.lastNet]; n.ID == string(name) {
			return l.lastNet, true, n.Kind != kind
		}
	}
	for i, n := range l.nets {
		if n.ID == string(name) {
			return uint16(i), true, n.Kind != kind
		}
	}
	return 0, false, false
}

// damage counts one more of r and returns how many events are filled then. Equal damage in a row is one event.
func (l *ledger) damage(events []event.Event, n int, r Reason) int {
	if len(l.nets) == 0 {
		l.pending[r]++
		l.waiting = true
		return n
	}
	if n > 0 {
		if e := &events[n-1]; e.Kind == event.KindDamaged && e.Network == l.lastNet && &e.Line[0] == &reasonText[r][0] {
			e.Count++
			return n
		}
	}
	events[n] = event.Event{Kind: event.KindDamaged, Time: l.last, Network: l.lastNet, Count: 1, Line: reasonText[r]}
	return n + 1
}

// settle hands out one waiting count of damage, once there is a network to pin it to.
func (l *ledger) settle(e *event.Event) {
	for r := range l.pending {
		if c := l.pending[r]; c > 0 {
			l.pending[r] = 0
			*e = event.Event{Kind: event.KindDamaged, Time: l.last, Network: 0, Count: c, Line: reasonText[r]}
			break
		}
	}
	l.waiting = false
	for _, c := range l.pending {
		l.waiting = l.waiting || c > 0
	}
}

// drain hands out what is still owed at the end; 0 when there is nothing.
func (l *ledger) drain(events []event.Event) int {
	n := 0
	for l.waiting && n < len(events) {
		if len(l.nets) == 0 {
			events[n] = l.announce(l.fallback, 0)
		} else {
			l.settle(&events[n])
		}
		n++
	}
	return n
}
