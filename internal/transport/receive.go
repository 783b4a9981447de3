package transport

import (
	"go.einride.tech/can"

	"muster/internal/event"
	"muster/pgn"
)

// Receiver receives one message that another device sends us in connection mode. Like a Sender it is driven by Next and Handle.
// Broadcasts need no answer: an Assembler reads them.
type Receiver struct {
	self, peer uint8
	number     uint32
	data       []byte
	packets    int
	window     int // most packets that the sender takes a CTS for
	next       int // packet expected, from 1
	upTo       int // last packet cleared
	repeats    int
	send       receiverSend
	done       bool
	err        error
	why        AbortError
	wake       event.Time
}

type receiverSend uint8

const (
	sendNothing receiverSend = iota
	sendCTS
	sendEOM
	sendAbort
)

// receiverWindow is how many packets are cleared at a time (common practice, no source).
const receiverWindow = 16

// Accept begins to receive the message that f announces to self; ok is false when f is no such announcement. One that cannot be
// carried gives a Receiver that only aborts.
func Accept(now event.Time, self uint8, f *can.Frame) (r *Receiver, ok bool) {
	id := pgn.ID(f.ID)
	if !f.IsExtended || f.IsRemote || f.Length < 8 || id.PGN() != PGNControl || id.Destination() != self || self == pgn.Global ||
		f.Data[0] != controlRTS {
		return nil, false
	}
	size := int(f.Data[1]) | int(f.Data[2])<<8
	r = &Receiver{self: self, peer: id.Source(), number: le24(f.Data[5:8]), packets: int(f.Data[3]), window: int(f.Data[4]), next: 1}
	switch {
	case size > MaxISO:
		r.fail(AbortTooLong)
	case size < MinISO || r.packets != isoPackets(size) || !carriable(r.number):
		r.fail(AbortOther)
	default:
		r.window = min(max(r.window, 1), receiverWindow)
		r.data = make([]byte, size)
		r.send, r.wake = sendCTS, now
	}
	return r, true
}

// Refuse is the abort that answers the announcement f when there is no room for it.
func Refuse(self uint8, f *can.Frame) can.Frame {
	return abortFrame(self, pgn.ID(f.ID).Source(), le24(f.Data[5:8]), AbortBusy)
}

// Next returns the frame to send at the time now, if there is one. Call it until ok is false.
func (r *Receiver) Next(now event.Time) (f can.Frame, ok bool) {
	if !r.done && r.send == sendNothing && now >= r.wake {
		r.missed(now)
	}
	send := r.send
	r.send = sendNothing
	switch send {
	case sendCTS:
		count := min(r.window, r.packets-r.next+1)
		r.upTo, r.wake = r.next+count-1, now.Add(firstPacketTimeout)
		return controlFrame(r.self, r.peer, r.number, controlCTS, byte(count), byte(r.next), 0xFF, 0xFF), true
	case sendEOM:
		size := len(r.data)
		return controlFrame(r.self, r.peer, r.number, controlEOM, byte(size), byte(size>>8), byte(r.packets), 0xFF), true
	case sendAbort:
		return abortFrame(r.self, r.peer, r.number, r.why), true
	}
	return f, false
}

// missed asks again for what did not come, a few times.
func (r *Receiver) missed(now event.Time) {
	if r.repeats++; r.repeats > maxRepeats {
		r.fail(AbortTimeout)
		return
	}
	r.send, r.wake = sendCTS, now
}

// Handle takes a frame received from the network; frames that do not concern the transfer are passed over.
func (r *Receiver) Handle(now event.Time, f *can.Frame) {
	id := pgn.ID(f.ID)
	if r.done || !f.IsExtended || f.Length < 8 || id.Source() != r.peer || id.Destination() != r.self {
		return
	}
	switch id.PGN() {
	case PGNControl:
		if f.Data[0] == controlAbort && le24(f.Data[5:8]) == r.number {
			r.done, r.err, r.send = true, AbortError(f.Data[1]), sendNothing
		}
	case PGNData:
		r.packet(now, f)
	}
}

// packet takes a data packet. One before the expected is a repeat; one after it means that some were lost, which the wait shows.
func (r *Receiver) packet(now event.Time, f *can.Frame) {
	number := int(f.Data[0])
	if number > r.upTo || r.upTo == 0 {
		r.fail(AbortUnexpected)
		return
	}
	r.wake = now.Add(packetTimeout)
	if number != r.next {
		if number == r.upTo && number > r.next {
			r.missed(now)
		}
		return
	}
	copy(r.data[(number-1)*7:], f.Data[1:])
	r.next++
	switch {
	case number == r.packets:
		r.done, r.send = true, sendEOM
	case number == r.upTo:
		r.send = sendCTS
	}
}

func (r *Receiver) fail(why AbortError) {
	r.done, r.why, r.err, r.send = true, why, why, sendAbort
}

// Wake is when Next has something to do at the latest, 0 when the transfer is over.
func (r *Receiver) Wake() event.Time {
	if r.Done() {
		return 0
	}
	return r.wake
}

// Done reports whether the transfer is over and nothing is left to send.
func (r *Receiver) Done() bool { return r.done && r.send == sendNothing }

// Peer is the sender's address.
func (r *Receiver) Peer() uint8 { return r.peer }

// PGN is that of the message.
func (r *Receiver) PGN() uint32 { return r.number }

// Data is the whole message once the transfer is done, with nil or an AbortError.
func (r *Receiver) Data() ([]byte, error) {
	if !r.done || r.err != nil {
		return nil, r.err
	}
	return r.data, nil
}
