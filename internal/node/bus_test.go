package node

import (
	"testing"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/pgn"
)

const t0 = event.Time(1_780_000_000e9)

// bus connects nodes: a frame that one sends reaches all others a frame time later, in the order of arbitration.
type bus struct {
	now   event.Time
	nodes []*Node
	boxes []*Outbox
	queue [][]can.Frame
	log   []logged
}

type logged struct {
	at   event.Time
	from int
	f    can.Frame
}

const frameTime = 600 * time.Microsecond

func newBus(options ...Options) *bus {
	b := &bus{now: t0}
	for _, o := range options {
		box := new(Outbox)
		b.nodes, b.boxes, b.queue = append(b.nodes, New(o, box)), append(b.boxes, box), append(b.queue, nil)
	}
	return b
}

func (b *bus) startAll() {
	for _, n := range b.nodes {
		n.Start(b.now)
	}
}

func (b *bus) drain() {
	for i, box := range b.boxes {
		b.queue[i] = append(b.queue[i], box.Frames...)
		box.Reset()
	}
}

// inject gives every node a frame of another.
func (b *bus) inject(id pgn.ID, data ...byte) {
	f := can.Frame{ID: uint32(id), Length: uint8(len(data)), IsExtended: true}
	copy(f.Data[:], data)
	b.deliver(-1, f)
}

func (b *bus) deliver(from int, f can.Frame) {
	b.log = append(b.log, logged{b.now, from, f})
	for i, n := range b.nodes {
		if i != from {
			n.Feed(b.now, &f)
		}
	}
	b.drain()
}

// run lets d pass.
func (b *bus) run(d time.Duration) {
	end := b.now.Add(d)
	for {
		b.drain()
		best := -1
		for i := range b.queue {
			if len(b.queue[i]) > 0 && (best < 0 || b.queue[i][0].ID < b.queue[best][0].ID) {
				best = i
			}
		}
		if best >= 0 && b.now.Add(frameTime) <= end {
			f := b.queue[best][0]
			b.queue[best] = b.queue[best][1:]
			b.now = b.now.Add(frameTime)
			b.deliver(best, f)
			b.tick()
			continue
		}
		next := end
		for _, n := range b.nodes {
			if t := n.Next(); t != 0 && t < next {
				next = t
			}
		}
		b.now = max(b.now, next)
		b.tick()
		b.drain()
		if b.now >= end {
			return
		}
	}
}

func (b *bus) tick() {
	for _, n := range b.nodes {
		if t := n.Next(); t != 0 && t <= b.now {
			n.Tick(b.now)
		}
	}
}

// sent lists the frames of one PGN by one sender (-2 for any), and forgets nothing.
func (b *bus) sent(from int, number uint32) (list []logged) {
	for _, l := range b.log {
		if (from == -2 && l.from >= 0 || l.from == from) && pgn.ID(l.f.ID).PGN() == number {
			list = append(list, l)
		}
	}
	return list
}

func name(unique uint32, arbitrary bool) pgn.NAME {
	return pgn.NameFields{UniqueNumber: unique, Manufacturer: 2001, DeviceFunction: 130, DeviceClass: 120, IndustryGroup: 4, ArbitraryAddress: arbitrary}.NAME()
}

func expectAddress(t *testing.T, n *Node, state State, addr uint8) {
	t.Helper()
	if got, _ := n.Address(); n.State() != state || got != addr {
		t.Errorf("%s: %v at %d, want %v at %d", n.Name(), n.State(), got, state, addr)
	}
}
