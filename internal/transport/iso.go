package transport

import (
	"time"

	"muster/internal/event"
	"muster/pgn"
)

// Sizes of the ISO transport protocol (SAE J1939-21; linux/can/j1939).
const (
	MinISO = 9    // shortest message in bytes; a shorter one fits into a frame
	MaxISO = 1785 // longest: 255 packets of 7 bytes
)

// Control bytes of connection management (SAE J1939-21; net/can/j1939 of the kernel).
const (
	controlRTS   = 16
	controlCTS   = 17
	controlEOM   = 19
	controlBAM   = 32
	controlAbort = 255
)

// isoMessage is one ISO transfer under way.
type isoMessage struct {
	id       pgn.ID // of the message carried
	dst      uint8
	next     uint16 // packet expected of a broadcast
	size     uint16 // announced bytes; 0 when the transfer is broken and its remaining packets are to be passed over
	packets  uint8
	received uint8
	have     [4]uint64 // packets received: a connection may repeat some
	data     []byte    // MaxISO bytes once the slot was used
}

type isoTable struct {
	table
	messages []isoMessage
}

func (t *isoTable) init(slots int) {
	t.table.init(slots)
	t.messages = make([]isoMessage, slots)
}

func isoKey(src, dst uint8) uint64 { return uint64(src)<<8 | uint64(dst) }

// feedControl takes a connection management frame: byte 0 control, bytes 5-7 the PGN carried.
func (a *Assembler) feedControl(ev *event.Event, id pgn.ID) *Message {
	f, t := &ev.Frame, &a.iso
	src, dst := id.Source(), id.Destination()
	if f.Length < 8 {
		a.fail(ISOShort)
		return nil
	}
	switch f.Data[0] {
	case controlRTS, controlBAM:
		if (f.Data[0] == controlBAM) != (dst == pgn.Global) {
			a.fail(ISOBadAnnounce)
			return nil
		}
		a.startISO(ev, id)
	case controlCTS: // from the receiver: a sign of life
		if i := t.find(isoKey(dst, src)); i != none && dst != pgn.Global {
			t.touch(i, ev.Time)
		}
	case controlAbort: // from either side
		for _, key := range [2]uint64{isoKey(src, dst), isoKey(dst, src)} {
			if i := t.find(key); i != none && dst != pgn.Global && t.messages[i].id.PGN() == le24(f.Data[5:8]) {
				if t.messages[i].size != 0 {
					a.fail(ISOAbort)
				}
				t.drop(i)
			}
		}
	}
	return nil
}

func (a *Assembler) startISO(ev *event.Event, id pgn.ID) {
	f, t := &ev.Frame, &a.iso
	src, dst := id.Source(), id.Destination()
	key := isoKey(src, dst)
	if i := t.find(key); i != none {
		if t.messages[i].size != 0 {
			a.fail(ISORestart)
		}
		t.drop(i)
	}
	size, packets, carried := uint16(f.Data[1])|uint16(f.Data[2])<<8, f.Data[3], le24(f.Data[5:8])
	i := a.openISO(key, ev.Time)
	m := &t.messages[i]
	m.id, m.dst, m.size = pgn.MakeID(id.Priority(), carried, src, dst), dst, 0
	if size < MinISO || size > MaxISO || int(packets) != isoPackets(int(size)) || !carriable(carried) {
		a.fail(ISOBadAnnounce)
		return
	}
	m.size, m.packets, m.next, m.received, m.have = size, packets, 1, 0, [4]uint64{}
	if m.data == nil {
		m.data = make([]byte, MaxISO)
	}
}

// feedData takes a data frame: byte 0 packet number from 1, bytes 1-7 data.
func (a *Assembler) feedData(ev *event.Event, id pgn.ID) *Message {
	f, t := &ev.Frame, &a.iso
	key := isoKey(id.Source(), id.Destination())
	i := t.find(key)
	if i == none {
		a.fail(ISONoStart)
		t.messages[a.openISO(key, ev.Time)].size = 0
		return nil
	}
	t.touch(i, ev.Time)
	m := &t.messages[i]
	if m.size == 0 {
		return nil
	}
	number := f.Data[0]
	at := (int(number) - 1) * 7
	want := min(int(m.size)-at, 7)
	switch {
	case f.Length == 0 || int(f.Length)-1 < want:
		a.fail(ISOShort)
	case number == 0 || number > m.packets:
		a.fail(ISOBeyond)
	case m.dst == pgn.Global && uint16(number) != m.next:
		a.fail(ISOGap)
	default:
		copy(m.data[at:at+want], f.Data[1:1+want])
		m.next = uint16(number) + 1
		if bit := uint64(1) << (number & 63); m.have[number>>6]&bit == 0 {
			m.have[number>>6] |= bit
			m.received++
		}
		if m.received < m.packets {
			return nil
		}
		t.drop(i)
		return a.give(ev, m.id, m.dst, m.data[:m.size:m.size], m.packets)
	}
	m.size = 0
	return nil
}

func (a *Assembler) openISO(key uint64, now event.Time) int32 {
	t := &a.iso
	if t.full() {
		if t.messages[t.oldest].size != 0 {
			a.fail(ISOShed)
		}
		t.drop(t.oldest)
	}
	return t.add(key, now)
}

// expireISO gives up transfers that wait too long. Slots are in order of waiting, so those within the shorter timeout
// end the walk.
func (a *Assembler) expireISO(now event.Time) {
	t := &a.iso
	shorter := min(a.opt.BAMTimeout, a.opt.RTSTimeout)
	for i := t.oldest; i != none && now.Sub(t.links[i].last) > shorter; {
		newer := t.links[i].newer
		if now.Sub(t.links[i].last) > a.isoLimit(i) {
			if t.messages[i].size != 0 {
				a.fail(ISOTimeout)
			}
			t.drop(i)
		}
		i = newer
	}
}

// isoLimit is how long the transfer in slot i may wait.
func (a *Assembler) isoLimit(i int32) time.Duration {
	if uint8(a.iso.links[i].key) == pgn.Global {
		return a.opt.BAMTimeout
	}
	return a.opt.RTSTimeout
}

// isoPackets is the number of packets that carry size bytes.
func isoPackets(size int) int { return (size + 6) / 7 }

// carriable reports whether the protocol may carry the PGN: one of 18 bits that is not a carrier itself.
func carriable(n uint32) bool {
	return n < 1<<18 && n != PGNControl && n != PGNData && (n>>8&0xFF >= 240 || n&0xFF == 0)
}

func le24(p []byte) uint32 { return uint32(p[0]) | uint32(p[1])<<8 | uint32(p[2])<<16 }
