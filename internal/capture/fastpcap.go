package capture

import (
	"encoding/binary"

	"muster/internal/event"
)

// fastFrame reads a SocketCAN record of a 29-bit data frame; false for anything else. size is the record's own length: what follows it
// in b is not its own. takeFrame is the oracle.
func fastFrame(b *[16]byte, size uint32, e *event.Event) bool {
	const fdFlag = 0x04
	id, n := binary.BigEndian.Uint32(b[:]), uint32(b[4])
	if id>>29 != flagExtended>>29 || n > 8 || size < 8+n || b[5]&fdFlag != 0 {
		return false
	}
	data := binary.LittleEndian.Uint64(b[8:])
	if n < 8 {
		data &= 1<<(8*n) - 1
	}
	*e = event.Event{Kind: event.KindFrame}
	e.Frame.ID, e.Frame.IsExtended, e.Frame.Length = id&0x1FFFFFFF, true, uint8(n)
	binary.LittleEndian.PutUint64(e.Frame.Data[:], data)
	return true
}

// fast reads little-endian records of one 29-bit data frame each, until one differs or events is full. record reads the same and is
// the oracle.
func (p *pcap) fast(events []event.Event) int {
	if p.noFast || p.lost || p.link != linkCAN || p.order != binary.LittleEndian {
		return 0
	}
	unit, limit := event.Time(1000), uint32(1_000_000)
	if p.nanos {
		unit, limit = 1, 1_000_000_000
	}
	buf, pos, n := p.w.buf[:p.w.end], p.w.pos, 0
	for n < len(events) && pos+32 <= len(buf) {
		b, e := (*[32]byte)(buf[pos:]), &events[n]
		frac, size := binary.LittleEndian.Uint32(b[4:]), binary.LittleEndian.Uint32(b[8:])
		if frac >= limit || size > 16 || binary.LittleEndian.Uint32(b[12:]) < size ||
			!fastFrame((*[16]byte)(b[16:]), size, e) {
			break
		}
		p.secs = binary.LittleEndian.Uint32(b[:])
		e.Time = event.Time(p.secs)*1e9 + event.Time(frac)*unit
		pos += 16 + int(size)
		n++
	}
	if n > 0 {
		p.last = events[n-1].Time
	}
	p.w.pos = pos
	return n
}

// fast reads little-endian packet blocks of one 29-bit data frame each, without options or with the direction alone, until one differs
// or events is full. packet reads the same and is the oracle.
func (p *pcapng) fast(events []event.Event) int {
	if p.noFast || p.lost || p.waiting || p.skip > 0 || p.order != binary.LittleEndian {
		return 0
	}
	const options = 12 // the direction and the mark behind it
	buf, pos, n := p.w.buf[:p.w.end], p.w.pos, 0
	for n < len(events) && pos+64 <= len(buf) {
		b, e := (*[64]byte)(buf[pos:]), &events[n]
		total, index, size := binary.LittleEndian.Uint32(b[4:]), binary.LittleEndian.Uint32(b[8:]), binary.LittleEndian.Uint32(b[20:])
		if binary.LittleEndian.Uint32(b[:]) != blockPacket || size > 16 || index >= uint32(len(p.ifs)) {
			break
		}
		f, end, sent := &p.ifs[index], 28+(size+3)&^3, false
		if total == end+4+options && binary.LittleEndian.Uint32(b[end:]) == 4<<16|2 && binary.LittleEndian.Uint32(b[end+8:]) == 0 {
			sent = b[end+4]&3 == 2
			end += options
		}
		if total != end+4 || binary.LittleEndian.Uint32(b[end:]) != total || !f.known || f.refused || f.link != linkCAN ||
			!fastFrame((*[16]byte)(b[28:]), size, e) {
			break
		}
		e.Time = f.time(uint64(binary.LittleEndian.Uint32(b[12:]))<<32 | uint64(binary.LittleEndian.Uint32(b[16:])))
		e.Network, e.Sent = f.net, sent
		pos += int(total)
		n++
	}
	if n > 0 {
		p.last, p.lastNet = events[n-1].Time, events[n-1].Network
	}
	p.w.pos = pos
	return n
}
