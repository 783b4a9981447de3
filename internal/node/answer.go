package node

import (
	"slices"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// Control codes of an ISO acknowledgment (SAE J1939-21).
const (
	AckPositive = 0 // done
	AckNegative = 1 // not supported
	AckDenied   = 2 // supported, but not for you or not now
	AckBusy     = 3 // cannot answer now
)

// Functions of a PGN list (PGN 126464).
const (
	ListTransmit = 0
	ListReceive  = 1
)

// managed are the messages that every node sends and receives by itself.
var managed = struct{ transmits, receives []uint32 }{
	transmits: []uint32{pgnAck, pgnRequest, transport.PGNData, transport.PGNControl, pgnClaim, pgnGroup, pgnList,
		pgnHeartbeat, pgnProduct, pgnConfig},
	receives: []uint32{pgnAck, pgnRequest, transport.PGNData, transport.PGNControl, pgnClaim, pgnCommanded, pgnGroup},
}

// requested answers an ISO request.
func (n *Node) requested(now event.Time, number uint32, src, dst uint8) {
	if slices.Contains(n.opts.Faults.Ignore, number) {
		return
	}
	switch n.state {
	case Claimed:
	case Claiming, Unclaimed:
		if number == pgnClaim {
			n.reclaim(now)
		}
		return
	default:
		return
	}
	if n.answer(now, number, dst) || dst == pgn.Global {
		return
	}
	if n.answers.take(now, 1) {
		n.stats.Refused++
		n.acknowledge(AckNegative, number, src)
	} else {
		n.stats.Withheld++
	}
}

// answer sends a requested message. It reports false when the message is not supported; an answer held back for the sake of the bus
// counts as supported.
func (n *Node) answer(now event.Time, number uint32, dst uint8) bool {
	switch number {
	case pgnClaim:
		n.reclaim(now)
		return true
	case pgnProduct:
		if n.opts.Product.Model == "" {
			return false
		}
		if n.may(now, 20) {
			n.sendProduct()
		}
		return true
	case pgnConfig:
		n.buf = n.opts.Installation.Append(n.buf[:0])
		if n.may(now, len(n.buf)/7+1) {
			n.emitFast(6, pgnConfig, pgn.Global, n.buf)
		}
		return true
	case pgnList:
		if n.may(now, (len(n.opts.Transmits)+len(n.opts.Receives)+20)*3/7+2) {
			n.sendList(ListTransmit, managed.transmits, n.opts.Transmits)
			n.sendList(ListReceive, managed.receives, n.opts.Receives)
		}
		return true
	case pgnHeartbeat:
		if n.opts.Heartbeat < 0 {
			return false
		}
		if n.may(now, 1) {
			n.sendHeartbeat(255) // 255 marks the answer to a request
		}
		return true
	}
	if n.opts.Send == nil || !slices.Contains(n.opts.Transmits, number) {
		return false
	}
	if !n.answers.take(now, 2) {
		n.stats.Withheld++
		return true
	}
	if !n.opts.Send(now, number, dst) {
		return false
	}
	n.stats.Answers++
	return true
}

// may books an answer of so many frames against the bound on answers.
func (n *Node) may(now event.Time, frames int) bool {
	if !n.answers.take(now, float64(min(frames, answerBurst))) {
		n.stats.Withheld++
		return false
	}
	n.stats.Answers++
	return true
}

// acknowledge sends an ISO acknowledgment.
func (n *Node) acknowledge(control uint8, number uint32, dst uint8) {
	n.emit(6, pgnAck, n.addr, dst, []byte{control, 255, 255, 255, 255, byte(number), byte(number >> 8),
		byte(number >> 16)})
}

func (n *Node) sendHeartbeat(seq uint8) {
	ms := min(n.opts.Heartbeat.Milliseconds(), 65532)
	n.emit(7, pgnHeartbeat, n.addr, pgn.Global, []byte{byte(ms), byte(ms >> 8), seq, 255, 255, 255, 255, 255})
}

func (n *Node) sendProduct() {
	n.buf = n.opts.Product.Append(n.buf[:0])
	start := len(n.out.Frames)
	n.emitFast(6, pgnProduct, pgn.Global, n.buf)
	if n.opts.Faults.HalfProduct {
		n.out.Frames = n.out.Frames[:start+11]
	}
}

func (n *Node) sendList(function byte, managed, own []uint32) {
	n.buf = append(n.buf[:0], function)
	for _, list := range [2][]uint32{managed, own} {
		for _, number := range list {
			if len(n.buf)+3 > transport.MaxFast {
				break
			}
			n.buf = append(n.buf, byte(number), byte(number>>8), byte(number>>16))
		}
	}
	n.emitFast(6, pgnList, pgn.Global, n.buf)
}
