package node

import (
	"bytes"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

const (
	sessionsIn  = 4 // messages received by ISO transport at once
	sessionsOut = 2 // messages sent at once
	openFast    = 4 // fast packets put together at once
)

// carrier holds the messages longer than a frame that a node sends and receives.
type carrier struct {
	seqs []sequence           // fast packet counters
	asm  *transport.Assembler // what comes to us as fast packets or as a broadcast; made when first needed
	in   []*transport.Receiver
	out  []*transport.Sender
	to   []uint8 // destinations of out
}

// sequence is the fast packet counter of one message.
type sequence struct {
	number uint32
	next   uint8
}

func (c *carrier) nextSequence(number uint32) uint8 {
	for i := range c.seqs {
		if c.seqs[i].number == number {
			s := c.seqs[i].next
			c.seqs[i].next = (s + 1) & 7
			return s
		}
	}
	c.seqs = append(c.seqs, sequence{number: number, next: 1})
	return 0
}

// reset drops every session, as a change of address does.
func (c *carrier) reset() { c.asm, c.in, c.out, c.to = nil, nil, nil, nil }

// assemble takes in a frame and returns the message that it completes, valid until the next call.
func (c *carrier) assemble(now event.Time, f *can.Frame) *transport.Message {
	if c.asm == nil {
		c.asm = transport.NewAssembler(transport.Options{MaxFast: openFast, MaxISO: sessionsIn})
	}
	return c.asm.Feed(&event.Event{Kind: event.KindFrame, Time: now, Frame: *f})
}

// wake is when a session has something to do.
func (c *carrier) wake() event.Time {
	at := event.Time(0)
	for _, r := range c.in {
		at = earliest(at, r.Wake())
	}
	for _, s := range c.out {
		at = earliest(at, s.Wake())
	}
	return at
}

// emitFast puts the frames of a fast packet into the outbox.
func (n *Node) emitFast(priority uint8, number uint32, dst uint8, data []byte) {
	// Every caller has kept within the 223 bytes of a fast packet.
	n.out.Frames, _ = transport.Split(n.out.Frames, pgn.MakeID(priority, number, n.addr, dst), n.msgs.nextSequence(number), data)
}

// SendISO sends a message of 9 to 1785 bytes by ISO transport, to everybody (slowly) or to one node that reports when
// it is ready. It reports false when the node has no address, the message cannot be carried, or a session to that
// destination is under way.
func (n *Node) SendISO(now event.Time, number uint32, dst uint8, data []byte) bool {
	if n.state != Claimed || len(n.msgs.out) >= sessionsOut || bytes.IndexByte(n.msgs.to, dst) >= 0 {
		return false
	}
	s, err := transport.NewSender(number, n.addr, dst, bytes.Clone(data))
	if err != nil {
		return false
	}
	n.msgs.out, n.msgs.to = append(n.msgs.out, s), append(n.msgs.to, dst)
	n.carry(now)
	return true
}

// heardISO takes in a frame of ISO transport. Of the broadcasts only a commanded address concerns a node.
func (n *Node) heardISO(now event.Time, f *can.Frame) {
	id := pgn.ID(f.ID)
	if id.Destination() == pgn.Global {
		if m := n.msgs.assemble(now, f); m != nil && m.PGN() == pgnCommanded {
			n.received(now, m.PGN(), m.Source(), pgn.Global, m.Data)
		}
		return
	}
	for _, s := range n.msgs.out {
		s.Handle(now, f)
	}
	if r, ok := transport.Accept(now, n.addr, f); ok && id.Source() <= 253 {
		n.accept(r, f)
	} else {
		for _, r := range n.msgs.in {
			r.Handle(now, f)
		}
	}
	n.carry(now)
}

// accept begins to receive; a sender that begins again has given up what it sent before.
func (n *Node) accept(r *transport.Receiver, f *can.Frame) {
	for i := range n.msgs.in {
		if n.msgs.in[i].Peer() == r.Peer() {
			n.msgs.in[i] = r
			n.stats.Sessions++
			return
		}
	}
	if len(n.msgs.in) >= sessionsIn {
		n.stats.Sessions++
		n.out.Frames = append(n.out.Frames, transport.Refuse(n.addr, f))
		return
	}
	n.msgs.in = append(n.msgs.in, r)
}

// carry sends the frames that the sessions have ready and ends those that are over.
func (n *Node) carry(now event.Time) {
	out, to := n.msgs.out[:0], n.msgs.to[:0]
	for i, s := range n.msgs.out {
		for f, ok := s.Next(now); ok; f, ok = s.Next(now) {
			n.out.Frames = append(n.out.Frames, f)
		}
		if !s.Done() {
			out, to = append(out, s), append(to, n.msgs.to[i])
		} else if s.Err() != nil {
			n.stats.Sessions++
		}
	}
	n.msgs.out, n.msgs.to = out, to
	var done []*transport.Receiver
	in := n.msgs.in[:0]
	for _, r := range n.msgs.in {
		for f, ok := r.Next(now); ok; f, ok = r.Next(now) {
			n.out.Frames = append(n.out.Frames, f)
		}
		if r.Done() {
			done = append(done, r)
		} else {
			in = append(in, r)
		}
	}
	n.msgs.in = in
	for _, r := range done {
		if data, err := r.Data(); err == nil {
			n.received(now, r.PGN(), r.Peer(), n.addr, data)
		} else {
			n.stats.Sessions++
		}
	}
}

// received handles a message that came by ISO transport.
func (n *Node) received(now event.Time, number uint32, src, dst uint8, data []byte) {
	if n.opts.Message != nil {
		n.opts.Message(now, number, src, dst, data)
	}
	switch number {
	case pgnCommanded:
		n.commanded(now, data)
	case pgnGroup:
		n.group(now, data, src, dst)
	}
}
