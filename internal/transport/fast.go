package transport

import (
	"go.einride.tech/can"

	"muster/internal/event"
	"muster/pgn"
)

// MaxFast is the longest fast packet message in bytes: 6 in the first frame and 7 in each of 31 more.
const MaxFast = 223

// fastMessage is one fast packet message under way.
type fastMessage struct {
	id     pgn.ID // of the first frame
	next   uint8  // frame number expected
	length uint8  // announced bytes; 0 when the message is broken and its remaining frames are to be passed over
	data   [MaxFast]byte
}

type fastTable struct {
	table
	messages []fastMessage
}

func (t *fastTable) init(slots int) {
	t.table.init(slots)
	t.messages = make([]fastMessage, slots)
}

// feedFast takes one frame of a fast packet. Byte 0 holds the sequence counter (bits 7-5) and the frame number (bits 4-0);
// byte 1 of frame 0 the length of the whole message.
func (a *Assembler) feedFast(ev *event.Event, id pgn.ID, n uint32) *Message {
	f := &ev.Frame
	if f.Length == 0 {
		a.fail(FastShort)
		return nil
	}
	number := f.Data[0] & 31
	key := uint64(n)<<24 | uint64(id.Destination())<<16 | uint64(id.Source())<<8 | uint64(f.Data[0]>>5)
	t := &a.fast
	i := t.find(key)
	if number == 0 {
		a.hear(n, f, ev.Time)
		return a.startFast(ev, id, key, i)
	}
	if i == none {
		a.hear(n, f, ev.Time)
		a.fail(FastNoStart)
		a.passOver(a.openFast(key, ev.Time), number)
		return nil
	}
	m := &t.messages[i]
	if m.length == 0 { // broken before
		if number < m.next {
			a.hear(n, f, ev.Time)
			a.fail(FastNoStart) // a later message of the same sequence number, its start missed as well
		}
		m.next = number + 1
		t.touch(i, ev.Time)
		return nil
	}
	at := int(number)*7 - 1 // where the frame's bytes belong
	switch want := min(int(m.length)-at, 7); {
	case want <= 0:
		a.fail(FastBeyond)
	case number != m.next:
		a.fail(FastGap)
	case int(f.Length)-1 < want:
		a.fail(FastShort)
	default:
		copy(m.data[at:at+want], f.Data[1:1+want])
		if at+want < int(m.length) {
			m.next++
			t.touch(i, ev.Time)
			return nil
		}
		t.drop(i)
		return a.giveFast(ev, m.id, m.data[:m.length:m.length], number+1)
	}
	t.touch(i, ev.Time)
	a.passOver(i, number)
	return nil
}

// hear counts the messages that never came before the one that begins with f.
func (a *Assembler) hear(number uint32, f *can.Frame, now event.Time) {
	if lost := uint64(a.lost.hear(number, uint8(f.ID), f.Data[0]>>5, now)); lost > 0 {
		a.count[FastLost] += lost
		a.fails += lost
	}
}

// startFast takes frame 0; i is the slot that its sequence still holds, or none.
func (a *Assembler) startFast(ev *event.Event, id pgn.ID, key uint64, i int32) *Message {
	f, t := &ev.Frame, &a.fast
	if i != none {
		if t.messages[i].length != 0 {
			a.fail(FastRestart)
		}
		t.drop(i)
	}
	if f.Length < 2 {
		a.fail(FastShort)
		a.passOver(a.openFast(key, ev.Time), 0)
		return nil
	}
	length := f.Data[1]
	want := min(length, 6)
	switch {
	case length == 0 || length > MaxFast:
		a.fail(FastBadLength)
	case f.Length-2 < want:
		a.fail(FastShort)
	case length <= 6:
		return a.giveFast(ev, id, f.Data[2:2+want:2+want], 1)
	default:
		m := &t.messages[a.openFast(key, ev.Time)]
		m.id, m.next, m.length = id, 1, length
		copy(m.data[:6], f.Data[2:8])
		return nil
	}
	a.passOver(a.openFast(key, ev.Time), 0)
	return nil
}

// openFast takes a slot, giving up the longest waiting message when there is none.
func (a *Assembler) openFast(key uint64, now event.Time) int32 {
	t := &a.fast
	if t.full() {
		if t.messages[t.oldest].length != 0 {
			a.fail(FastShed)
		}
		t.drop(t.oldest)
	}
	return t.add(key, now)
}

// passOver marks the message as broken at the frame number, so that the rest of it is not counted again.
func (a *Assembler) passOver(i int32, number uint8) {
	m := &a.fast.messages[i]
	m.length, m.next = 0, number+1
}

func (a *Assembler) expireFast(now event.Time) {
	t := &a.fast
	for t.oldest != none && now.Sub(t.links[t.oldest].last) > a.opt.FastTimeout {
		if t.messages[t.oldest].length != 0 {
			a.fail(FastTimeout)
		}
		t.drop(t.oldest)
	}
}

// giveFast gives the message of the fast packet whose last frame the event is.
func (a *Assembler) giveFast(ev *event.Event, id pgn.ID, data []byte, frames uint8) *Message {
	m := a.give(ev, id, id.Destination(), data, frames)
	m.Fast, m.Sequence = true, ev.Frame.Data[0]>>5
	return m
}

// give fills the message that Feed returns.
func (a *Assembler) give(ev *event.Event, id pgn.ID, dst uint8, data []byte, frames uint8) *Message {
	a.msg = Message{Time: ev.Time, Network: ev.Network, ID: id, Destination: dst, Data: data, Frames: frames}
	return &a.msg
}
