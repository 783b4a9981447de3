package node

import (
	"time"

	"muster/internal/event"
	"muster/pgn"
)

// Control bytes of ISO transport connection management (SAE J1939-21).
const (
	tpRTS   = 16
	tpCTS   = 17
	tpEnd   = 19
	tpBAM   = 32
	tpAbort = 255
)

// Abort reasons (Linux net/can/j1939).
const (
	abortBusy        = 1
	abortTimeout     = 3
	abortRetransmit  = 5
	abortBadSequence = 7
	abortTooLong     = 9
)

// Timers of ISO transport.
const (
	tpT1   = 750 * time.Millisecond  // receiver, between packets
	tpT2   = 1250 * time.Millisecond // receiver, after its clear-to-send
	tpT3   = 1250 * time.Millisecond // sender, waiting for the receiver
	tpT4   = 1050 * time.Millisecond // sender, told to hold
	bamGap = 50 * time.Millisecond   // sender, between packets to everybody
)

const (
	// MaxISO is the longest message ISO transport carries.
	MaxISO   = 1785
	tpWindow = 16 // packets we allow in one go
	tpIn     = 4  // messages received at once
	tpOut    = 2  // messages sent at once
)

// transfer is one ISO transport session of a node.
type transfer struct {
	used   bool
	number uint32
	peer   uint8 // Global for a broadcast
	total  int
	next   int // number of the next packet, from 1
	upTo   int // last packet of the window that is open
	data   []byte
	at     event.Time // sending: when to go on or to give up; receiving: when to give up
	wait   bool       // sending: waits for the receiver
}

func (t *transfer) packets() int { return (t.total + 6) / 7 }

type transfers struct {
	in  [tpIn]transfer
	out [tpOut]transfer
}

func (t *transfers) reset() {
	for i := range t.in {
		t.in[i].used = false
	}
	for i := range t.out {
		t.out[i].used = false
	}
}

func (t *transfers) next() event.Time {
	at := event.Time(0)
	for i := range t.in {
		if t.in[i].used {
			at = earliest(at, t.in[i].at)
		}
	}
	for i := range t.out {
		if t.out[i].used {
			at = earliest(at, t.out[i].at)
		}
	}
	return at
}

// SendISO sends a message of 9 to 1785 bytes by ISO transport, to everybody (slowly) or to one node that says when it is ready. It
// reports false when the node has no address, the message does not fit, or a session to that destination is under way.
func (n *Node) SendISO(now event.Time, number uint32, dst uint8, data []byte) bool {
	if n.state != Claimed || len(data) < 9 || len(data) > MaxISO {
		return false
	}
	slot := -1
	for i := range n.tp.out {
		if n.tp.out[i].used && n.tp.out[i].peer == dst {
			return false
		}
		if !n.tp.out[i].used {
			slot = i
		}
	}
	if slot < 0 {
		return false
	}
	s := &n.tp.out[slot]
	*s = transfer{used: true, number: number, peer: dst, total: len(data), next: 1, data: append(s.data[:0], data...)}
	if dst == pgn.Global {
		s.upTo, s.at = s.packets(), now.Add(bamGap)
		n.tpSend(dst, tpBAM, byte(s.total), byte(s.total>>8), byte(s.packets()), 255, number)
	} else {
		s.wait, s.at = true, now.Add(tpT3)
		n.tpSend(dst, tpRTS, byte(s.total), byte(s.total>>8), byte(s.packets()), 255, number)
	}
	return true
}

func (n *Node) tpSend(dst, control, b1, b2, b3, b4 byte, number uint32) {
	n.emit(7, pgnTPManage, n.addr, dst, []byte{control, b1, b2, b3, b4, byte(number), byte(number >> 8), byte(number >> 16)})
}

// abort ends a session that failed and, unless it is a broadcast, tells the peer why.
func (n *Node) abort(t *transfer, reason byte) {
	n.stats.Sessions++
	t.used = false
	if t.peer != pgn.Global {
		n.tpSend(t.peer, tpAbort, reason, 255, 255, 255, t.number)
	}
}

// tpManage handles connection management.
func (n *Node) tpManage(now event.Time, src, dst uint8, p []byte) {
	if len(p) < 8 || src > 253 {
		n.stats.Malformed++
		return
	}
	number, size := uint32(p[5])|uint32(p[6])<<8|uint32(p[7])<<16, int(p[1])|int(p[2])<<8
	broadcast := dst == pgn.Global
	switch p[0] {
	case tpBAM, tpRTS:
		if broadcast != (p[0] == tpBAM) {
			return
		}
		n.tpOpen(now, src, number, size, int(p[3]), broadcast)
	case tpCTS:
		for i := range n.tp.out {
			if t := &n.tp.out[i]; t.used && t.peer == src && t.number == number && !broadcast {
				n.tpClear(now, t, int(p[1]), int(p[2]))
			}
		}
	case tpEnd:
		for i := range n.tp.out {
			if t := &n.tp.out[i]; t.used && t.peer == src && t.number == number && !broadcast {
				t.used = false
			}
		}
	case tpAbort:
		if broadcast {
			return
		}
		for _, list := range [2][]transfer{n.tp.in[:], n.tp.out[:]} {
			for i := range list {
				if list[i].used && list[i].peer == src && list[i].number == number {
					list[i].used = false
					n.stats.Sessions++
				}
			}
		}
	}
}

// tpOpen begins to receive. Of the broadcasts only a commanded address concerns a node.
func (n *Node) tpOpen(now event.Time, src uint8, number uint32, size, packets int, broadcast bool) {
	if broadcast && number != pgnCommanded {
		return
	}
	if size < 9 || size > MaxISO || packets != (size+6)/7 {
		n.stats.Malformed++
		if !broadcast {
			n.tpSend(src, tpAbort, abortTooLong, 255, 255, 255, number)
		}
		return
	}
	slot := -1
	for i := range n.tp.in {
		t := &n.tp.in[i]
		if t.used && t.peer == src && (t.wait == broadcast) { // the sender began anew
			slot = i
			break
		}
		if !t.used {
			slot = i
		}
	}
	if slot < 0 {
		n.stats.Sessions++
		if !broadcast {
			n.tpSend(src, tpAbort, abortBusy, 255, 255, 255, number)
		}
		return
	}
	t := &n.tp.in[slot]
	*t = transfer{used: true, wait: broadcast, number: number, peer: src, total: size, next: 1, data: t.data[:0], at: now.Add(tpT1)}
	t.upTo = t.packets()
	if !broadcast {
		n.tpWindow(now, t)
	}
}

// tpWindow tells the sender which packets may come next.
func (n *Node) tpWindow(now event.Time, t *transfer) {
	count := min(tpWindow, t.packets()-t.next+1)
	t.upTo, t.at = t.next+count-1, now.Add(tpT2)
	n.tpSend(t.peer, tpCTS, byte(count), byte(t.next), 255, 255, t.number)
}

// tpClear handles a clear-to-send.
func (n *Node) tpClear(now event.Time, t *transfer, count, next int) {
	if count == 0 { // hold
		t.wait, t.at = true, now.Add(tpT4)
		return
	}
	if next < 1 || next+count-1 > t.packets() {
		n.abort(t, abortBadSequence)
		return
	}
	for i := next; i < next+count; i++ {
		n.tpPacket(t, i)
	}
	t.next, t.wait, t.at = next+count, true, now.Add(tpT3)
}

func (n *Node) tpPacket(t *transfer, i int) {
	var b [8]byte
	b[0] = byte(i)
	c := copy(b[1:], t.data[(i-1)*7:])
	for j := c + 1; j < 8; j++ {
		b[j] = 255
	}
	n.emit(7, pgnTPData, n.addr, t.peer, b[:])
}

// tpData receives one packet.
func (n *Node) tpData(now event.Time, src, dst uint8, p []byte) {
	for i := range n.tp.in {
		t := &n.tp.in[i]
		if !t.used || t.peer != src || t.wait != (dst == pgn.Global) || len(p) < 2 {
			continue
		}
		if int(p[0]) != t.next || t.next > t.upTo {
			n.stats.Sessions++
			t.used = false
			if dst != pgn.Global {
				n.tpSend(src, tpAbort, abortBadSequence, 255, 255, 255, t.number)
			}
			return
		}
		t.data = append(t.data, p[1:min(len(p), 1+t.total-len(t.data))]...)
		t.next++
		t.at = now.Add(tpT1)
		switch {
		case len(t.data) >= t.total:
			t.used = false
			if dst != pgn.Global {
				n.tpSend(src, tpEnd, byte(t.total), byte(t.total>>8), byte(t.packets()), 255, t.number)
			}
			n.tpDone(now, t, src, dst)
		case t.next > t.packets(): // packets shorter than 8 bytes
			t.used = false
			n.stats.Sessions++
		case t.next > t.upTo:
			n.tpWindow(now, t)
		}
		return
	}
}

func (n *Node) tpDone(now event.Time, t *transfer, src, dst uint8) {
	switch t.number {
	case pgnCommanded:
		n.commanded(now, t.data)
	case pgnGroup:
		n.group(now, t.data, src, dst)
	}
	if n.opts.Message != nil {
		n.opts.Message(now, t.number, src, dst, t.data)
	}
}

// tpTick sends what is due of broadcasts and gives up sessions that stand still.
func (n *Node) tpTick(now event.Time) {
	for i := range n.tp.out {
		t := &n.tp.out[i]
		if !t.used || now < t.at {
			continue
		}
		if t.peer != pgn.Global {
			n.abort(t, abortTimeout)
			continue
		}
		n.tpPacket(t, t.next)
		t.next++
		t.at = now.Add(bamGap)
		t.used = t.next <= t.packets()
	}
	for i := range n.tp.in {
		t := &n.tp.in[i]
		if !t.used || now < t.at {
			continue
		}
		n.stats.Sessions++
		t.used = false
		if !t.wait {
			n.tpSend(t.peer, tpAbort, abortTimeout, 255, 255, 255, t.number)
		}
	}
}
