package node

import (
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/pgn"
)

// sequence is the fast packet counter of one message.
type sequence struct {
	number uint32
	next   uint8
}

func (n *Node) nextSequence(number uint32) uint8 {
	for i := range n.seqs {
		if n.seqs[i].number == number {
			s := n.seqs[i].next
			n.seqs[i].next = (s + 1) & 7
			return s
		}
	}
	n.seqs = append(n.seqs, sequence{number: number, next: 1})
	return 0
}

// emitFast puts the frames of a fast packet into the outbox.
func (n *Node) emitFast(priority uint8, number uint32, dst uint8, data []byte) {
	id := pgn.MakeID(priority, number, n.addr, dst)
	n.out.Frames = AppendFast(n.out.Frames, id, n.nextSequence(number), data)
}

// MaxFast is the longest message a fast packet carries.
const MaxFast = 223

// IsFast reports whether a message travels as a fast packet.
func IsFast(number uint32) bool { return pgn.TransportOf(number) == pgn.Fast }

// AppendFast adds the frames of a fast packet, padded with FF.
func AppendFast(frames []can.Frame, id pgn.ID, seq uint8, data []byte) []can.Frame {
	for i, at := 0, 0; i == 0 || at < len(data); i++ {
		f := can.Frame{ID: uint32(id), IsExtended: true, Length: 8, Data: can.Data{255, 255, 255, 255, 255, 255, 255, 255}}
		f.Data[0] = seq<<5 | uint8(i)
		if i == 0 {
			f.Data[1] = uint8(len(data))
			at = copy(f.Data[2:], data)
		} else {
			at += copy(f.Data[1:], data[at:])
		}
		frames = append(frames, f)
	}
	return frames
}

const (
	openFast    = 4                      // messages that a node puts together at once; the oldest gives way
	fastTimeout = 750 * time.Millisecond // between frames of one message
)

// reassembler puts together the fast packets that concern a node.
type reassembler struct {
	open [openFast]struct {
		id     uint32
		used   bool
		seq    uint8
		next   uint8
		total  int
		length int
		last   event.Time
		data   [MaxFast]byte
	}
}

// feed returns the message when it is complete; the data is valid until the next call.
func (r *reassembler) feed(now event.Time, id pgn.ID, p []byte) ([]byte, bool) {
	if len(p) < 2 {
		return nil, false
	}
	key, seq, frame := uint32(id)&0x3FFFFFF, p[0]>>5, p[0]&31
	slot := 0
	for i := range r.open {
		if r.open[i].used && r.open[i].id == key && (frame == 0 || r.open[i].seq == seq) {
			slot = i
			break
		}
		if !r.open[i].used || r.open[slot].used && r.open[i].last < r.open[slot].last {
			slot = i
		}
	}
	s := &r.open[slot]
	if frame == 0 {
		s.id, s.seq, s.used, s.next, s.total, s.length = key, seq, true, 1, int(p[1]), 0
		s.last = now
		s.length = copy(s.data[:min(s.total, MaxFast)], p[2:])
	} else {
		if !s.used || s.id != key || s.seq != seq || s.next != frame || now.Sub(s.last) > fastTimeout {
			if s.used && s.id == key {
				s.used = false
			}
			return nil, false
		}
		s.next++
		s.last = now
		s.length += copy(s.data[s.length:min(s.total, MaxFast)], p[1:])
	}
	if s.total == 0 || s.total > MaxFast {
		s.used = false
		return nil, false
	}
	if s.length < s.total {
		return nil, false
	}
	s.used = false
	return s.data[:s.total], true
}
