package transport

import (
	"errors"
	"fmt"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/pgn"
)

// AbortError is why the other side, or we, gave an ISO transfer up (reasons of linux net/can/j1939).
type AbortError uint8

// The reasons for an abort.
const (
	AbortBusy        AbortError = 1
	AbortResources   AbortError = 2
	AbortTimeout     AbortError = 3
	AbortCTS         AbortError = 4
	AbortRetransmit  AbortError = 5
	AbortUnexpected  AbortError = 6
	AbortBadSequence AbortError = 7
	AbortDoubled     AbortError = 8
	AbortTooLong     AbortError = 9
	AbortOther       AbortError = 250
)

// Times and bounds of the two sides.
const (
	broadcastGap       = 50 * time.Millisecond   // smallest pause between packets of a broadcast (ISO 11783-3: 50..200 ms)
	answerTimeout      = 1250 * time.Millisecond // T3: sender waits for CTS or the end (the kernel's J1939 stack)
	holdTimeout        = 1050 * time.Millisecond // T4: sender waits after a CTS of 0 (an open ISO 11783 stack)
	packetTimeout      = 750 * time.Millisecond  // T1: receiver waits for the next packet (the kernel's J1939 stack)
	firstPacketTimeout = 1250 * time.Millisecond // T2: receiver waits for a packet after its CTS (Linux J1939)
	maxRepeats         = 3                       // how often packets may be asked for again (common practice, no source)
)

// Error names the reason.
func (e AbortError) Error() string {
	name := ""
	switch e {
	case AbortBusy:
		name = "already busy"
	case AbortResources:
		name = "no resources"
	case AbortTimeout:
		name = "timed out"
	case AbortCTS:
		name = "clear to send during the transfer"
	case AbortRetransmit:
		name = "too many retransmissions"
	case AbortUnexpected:
		name = "unexpected data packet"
	case AbortBadSequence:
		name = "bad sequence number"
	case AbortDoubled:
		name = "doubled sequence number"
	case AbortTooLong:
		name = "longer than 1785 bytes"
	case AbortOther:
		name = "other reason"
	default:
		name = fmt.Sprintf("reason %d", uint8(e))
	}
	return "transport: transfer aborted: " + name
}

// ErrNotCarriable means that the ISO protocol cannot carry a message of this PGN or length.
var ErrNotCarriable = errors.New("transport: 9 to 1785 bytes of a PGN that is no carrier itself can be carried")

// controlFrame is a connection management frame about a PGN.
func controlFrame(src, dst uint8, number uint32, b0, b1, b2, b3, b4 byte) can.Frame {
	return can.Frame{ID: uint32(pgn.MakeID(7, PGNControl, src, dst)), Length: 8, IsExtended: true,
		Data: can.Data{b0, b1, b2, b3, b4, byte(number), byte(number >> 8), byte(number >> 16)}}
}

func abortFrame(src, dst uint8, number uint32, why AbortError) can.Frame {
	return controlFrame(src, dst, number, controlAbort, byte(why), 0xFF, 0xFF, 0xFF)
}

// Sender sends one message by the ISO transport protocol: to one address by a connection, to all by a broadcast. The caller sends
// what Next returns, hands it what comes back, and asks again no later than Wake. It reads no clock.
type Sender struct {
	src, dst uint8
	number   uint32
	data     []byte
	packets  int
	state    senderState
	next     int // packet to send next, from 1
	upTo     int // last packet cleared to send
	high     int // highest packet sent so far
	repeats  int
	wake     event.Time
	abort    AbortError // to be sent to the other side, if not 0
	err      error
}

type senderState uint8

const (
	senderNew     senderState = iota
	senderPackets             // sending what is cleared
	senderWaiting             // for CTS or the end
	senderDone
)

// NewSender prepares a message of 9 to 1785 bytes from src to dst, pgn.Global for a broadcast. It keeps data.
func NewSender(number uint32, src, dst uint8, data []byte) (*Sender, error) {
	if len(data) < MinISO || len(data) > MaxISO || !carriable(number) {
		return nil, fmt.Errorf("%w: PGN %d of %d bytes", ErrNotCarriable, number, len(data))
	}
	return &Sender{src: src, dst: dst, number: number, data: data, packets: isoPackets(len(data)), next: 1}, nil
}

// Next returns the frame to send at the time now, if there is one. Call it until ok is false.
func (s *Sender) Next(now event.Time) (f can.Frame, ok bool) {
	if s.abort != 0 {
		f = abortFrame(s.src, s.dst, s.number, s.abort)
		s.abort = 0
		return f, true
	}
	size := len(s.data)
	switch s.state {
	case senderNew:
		if s.dst == pgn.Global {
			s.state, s.upTo, s.wake = senderPackets, s.packets, now.Add(broadcastGap)
			return controlFrame(s.src, s.dst, s.number, controlBAM, byte(size), byte(size>>8), byte(s.packets), 0xFF), true
		}
		s.state, s.wake = senderWaiting, now.Add(answerTimeout)
		return controlFrame(s.src, s.dst, s.number, controlRTS, byte(size), byte(size>>8), byte(s.packets), 0xFF), true
	case senderPackets:
		if s.dst == pgn.Global && now < s.wake {
			return f, false
		}
		f = can.Frame{ID: uint32(pgn.MakeID(7, PGNData, s.src, s.dst)), Length: 8, IsExtended: true}
		for i := range f.Data {
			f.Data[i] = 0xFF
		}
		f.Data[0] = byte(s.next)
		copy(f.Data[1:], s.data[(s.next-1)*7:])
		s.high = max(s.high, s.next)
		s.next++
		s.wake = now.Add(broadcastGap)
		if s.next > s.upTo {
			s.state, s.wake = senderWaiting, now.Add(answerTimeout)
			if s.dst == pgn.Global {
				s.state = senderDone
			}
		}
		return f, true
	case senderWaiting:
		if now >= s.wake {
			s.fail(AbortTimeout)
			return s.Next(now)
		}
	}
	return f, false
}

// Handle takes a frame received from the network; frames that do not concern the transfer are passed over.
func (s *Sender) Handle(now event.Time, f *can.Frame) {
	id := pgn.ID(f.ID)
	if s.dst == pgn.Global || s.state == senderNew || s.state == senderDone || !f.IsExtended || f.Length < 8 || id.PGN() != PGNControl ||
		id.Source() != s.dst || id.Destination() != s.src || le24(f.Data[5:8]) != s.number {
		return
	}
	switch f.Data[0] {
	case controlCTS:
		s.clear(now, int(f.Data[1]), int(f.Data[2]))
	case controlEOM:
		s.state = senderDone
		if s.high < s.packets {
			s.err = AbortUnexpected
		}
	case controlAbort:
		s.state, s.abort, s.err = senderDone, 0, AbortError(f.Data[1])
	}
}

// clear takes leave to send count packets from first on; 0 packets hold the connection open.
func (s *Sender) clear(now event.Time, count, first int) {
	switch {
	case s.state == senderPackets:
		s.fail(AbortCTS)
	case count == 0:
		s.wake = now.Add(holdTimeout)
	case first < 1 || first > s.packets || first > s.high+1:
		s.fail(AbortBadSequence)
	default:
		if first <= s.high {
			if s.repeats++; s.repeats > maxRepeats {
				s.fail(AbortRetransmit)
				return
			}
		}
		s.state, s.next, s.upTo, s.wake = senderPackets, first, min(first+count-1, s.packets), now
	}
}

func (s *Sender) fail(why AbortError) { s.state, s.abort, s.err = senderDone, why, why }

// Wake is when Next has something to do at the latest, 0 when the transfer is over.
func (s *Sender) Wake() event.Time {
	if s.Done() {
		return 0
	}
	return s.wake
}

// Done reports whether the transfer is over and nothing is left to send.
func (s *Sender) Done() bool { return s.state == senderDone && s.abort == 0 }

// Err is why the transfer failed: an AbortError, or nil.
func (s *Sender) Err() error { return s.err }
