package capture

import (
	"encoding/binary"
	"fmt"
	"io"
	"math/bits"

	"muster/internal/event"
)

// Block types (draft-ietf-opsawg-pcapng).
const (
	blockSection   = 0x0A0D0D0A
	blockInterface = 1
	blockSimple    = 3
	blockPacket    = 6
)

// ngInterface is one interface of the section being read.
type ngInterface struct {
	link    uint32
	net     uint16
	known   bool
	perSec  uint64 // units a second; 0: 2^shift
	shift   uint8
	offset  int64 // seconds
	info    event.Network
	refused bool // one interface too many
}

type pcapng struct {
	ledger
	w       *window
	order   binary.ByteOrder
	ifs     []ngInterface
	lost    bool
	skip    int // bytes of a long block still to pass over
	foreign bool
	good    bool
	noFast  bool // for tests: everything through packet
}

func newPcapng(w *window) (*pcapng, error) {
	if !w.need(28) {
		return nil, fmt.Errorf("pcapng header is cut off: %w", ErrEmpty)
	}
	p := &pcapng{w: w, order: binary.LittleEndian}
	p.fallback = event.Network{ID: "can0", Kind: event.NMEA2000}
	return p, nil
}

func (p *pcapng) decode(events []event.Event) (int, error) {
	n := 0
	for n < len(events) {
		if p.waiting && len(p.nets) > 0 {
			p.settle(&events[n])
			n++
			continue
		}
		if p.skip > 0 {
			k := min(p.skip, p.w.end-p.w.pos)
			p.skip -= k
			p.w.pos += k
			if p.skip > 0 && !p.w.fill() {
				return p.finish(events, n)
			}
			continue
		}
		if m := p.fast(events[n:]); m > 0 {
			n += m
			continue
		}
		if n > 0 && p.w.short(12) {
			return n, nil
		}
		if !p.w.need(12) {
			return p.finish(events, n)
		}
		kind, size, ok := p.block(p.w.rest())
		if !ok {
			if !p.lost {
				p.lost = true
				n = p.damage(events, n, ReasonRecord)
			}
			p.w.pos += 4
			continue
		}
		if size > maxRecord { // a comment, a list of names: nothing for us
			if kind == blockPacket || kind == blockSimple {
				n = p.damage(events, n, ReasonRecord)
			}
			p.skip = size
			continue
		}
		if n > 0 && p.w.short(size) {
			return n, nil
		}
		if !p.w.need(size) {
			if p.lost {
				p.w.pos += 4
				continue
			}
			return p.finish(events, n)
		}
		b := p.w.rest()[:size]
		if p.order.Uint32(b[size-4:]) != uint32(size) {
			if !p.lost {
				p.lost = true
				n = p.damage(events, n, ReasonRecord)
			}
			p.w.pos += 4
			continue
		}
		p.lost = false
		var used bool
		if n, used = p.take(events, n, kind, b); used {
			p.w.pos += size
		}
	}
	return n, nil
}

// block reads a block's header. A section header may reverse the byte order.
func (p *pcapng) block(h []byte) (kind uint32, size int, ok bool) {
	kind = p.order.Uint32(h)
	if kind == blockSection {
		switch binary.LittleEndian.Uint32(h[8:]) {
		case 0x1A2B3C4D:
			p.order = binary.LittleEndian
		case 0x4D3C2B1A:
			p.order = binary.BigEndian
		default:
			return 0, 0, false
		}
	}
	length := p.order.Uint32(h[4:])
	if length < 12 || length%4 != 0 || length > 1<<30 {
		return 0, 0, false
	}
	if p.lost && (kind != blockPacket && kind != blockSection && kind != blockSimple || length > maxRecord) {
		return 0, 0, false
	}
	return kind, int(length), true
}

func (p *pcapng) take(events []event.Event, n int, kind uint32, b []byte) (int, bool) {
	switch kind {
	case blockSection:
		p.ifs = p.ifs[:0]
	case blockInterface:
		return p.describe(events, n, b), true
	case blockPacket:
		if len(b) < 32 {
			return p.damage(events, n, ReasonRecord), true
		}
		size := p.order.Uint32(b[20:])
		if size > uint32(len(b)-32) {
			return p.damage(events, n, ReasonRecord), true
		}
		units := uint64(p.order.Uint32(b[12:]))<<32 | uint64(p.order.Uint32(b[16:]))
		return p.packet(events, n, p.order.Uint32(b[8:]), units, b[28:28+size], p.sent(b[28+(size+3)&^3:len(b)-4]))
	case blockSimple:
		if len(b) < 16 {
			return p.damage(events, n, ReasonRecord), true
		}
		size := min(p.order.Uint32(b[8:]), uint32(len(b)-16))
		return p.packet(events, n, 0, 0, b[12:12+size], false)
	}
	return n, true
}

// packet makes the event of one record. When its network is new only the announcement is made and used is false.
func (p *pcapng) packet(events []event.Event, n int, index uint32, units uint64, data []byte, sent bool) (int, bool) {
	if uint64(index) >= uint64(len(p.ifs)) {
		return p.damage(events, n, ReasonRecord), true
	}
	f := &p.ifs[index]
	if f.refused {
		return p.damage(events, n, ReasonTooManyInterfaces), true
	}
	if data = payload(f.link, data); data == nil {
		return p.damage(events, n, ReasonLinkType), true
	}
	if !f.known {
		f.known = true
		var ok bool
		if f.net, ok, _ = p.find([]byte(f.info.ID), event.NMEA2000); !ok {
			if len(p.nets) == maxNetworks {
				f.refused = true
				return n, false
			}
			events[n] = p.announce(f.info, f.time(units))
			f.net = p.lastNet
			return n + 1, false
		}
	}
	e := &events[n]
	*e = event.Event{Time: f.time(units), Network: f.net, Sent: sent}
	p.last, p.lastNet = e.Time, f.net
	if r := takeFrame(data, e); r != reasonNone {
		return p.damage(events, n, r), true
	}
	return n + 1, true
}

// time converts an interface's units, exactly, to nanoseconds; what does not fit is unset.
func (f *ngInterface) time(units uint64) event.Time {
	var sec, ns uint64
	switch {
	case f.perSec == 1_000_000: // nearly all
		sec, ns = units/1_000_000, units%1_000_000*1000
	case f.perSec == 1_000_000_000:
		sec, ns = units/1_000_000_000, units%1_000_000_000
	case f.perSec > 0:
		sec = units / f.perSec
		hi, lo := bits.Mul64(units%f.perSec, 1_000_000_000)
		ns, _ = bits.Div64(hi, lo, f.perSec)
	default:
		sec = units >> f.shift
		hi, lo := bits.Mul64(units&(1<<f.shift-1), 1_000_000_000)
		ns = hi<<(64-f.shift) | lo>>f.shift
		if f.shift == 0 {
			ns = 0
		}
	}
	total := int64(sec) + f.offset
	if sec > 9_223_372_035 || total < 0 || total > 9_223_372_035 {
		return 0
	}
	return event.Time(total*1e9 + int64(ns))
}

// describe reads an interface block: link type and the options for name, resolution and offset.
func (p *pcapng) describe(events []event.Event, n int, b []byte) int {
	const optName, optResolution, optOffset = 2, 9, 14
	if len(b) < 20 {
		return p.damage(events, n, ReasonRecord)
	}
	f := ngInterface{link: uint32(p.order.Uint16(b[8:])), perSec: 1_000_000}
	f.info = event.Network{Kind: event.NMEA2000, ID: fmt.Sprintf("can%d", len(p.ifs))}
	p.options(b[16:len(b)-4], func(code uint16, v []byte) {
		switch {
		case code == optName && len(v) > 0 && goodName(v):
			f.info.ID = string(v)
		case code == optResolution && len(v) == 1 && v[0]&0x80 != 0:
			f.perSec, f.shift = 0, min(v[0]&0x7F, 63)
		case code == optResolution && len(v) == 1:
			f.perSec = 1
			for range min(v[0], 19) {
				f.perSec *= 10
			}
		case code == optOffset && len(v) == 8:
			f.offset = int64(p.order.Uint64(v))
		}
	})
	if len(p.ifs) == maxNetworks {
		return p.damage(events, n, ReasonTooManyInterfaces)
	}
	if !knownLink(f.link) {
		p.foreign = true
	} else {
		p.good = true
	}
	p.ifs = append(p.ifs, f)
	return n
}

// sent searches a packet's options for the direction (epb_flags: 2 = outbound).
func (p *pcapng) sent(options []byte) (sent bool) {
	if len(options) < 8 {
		return false
	}
	p.options(options, func(code uint16, v []byte) {
		if code == 2 && len(v) == 4 {
			sent = p.order.Uint32(v)&3 == 2
		}
	})
	return sent
}

func (p *pcapng) options(b []byte, each func(code uint16, value []byte)) {
	for len(b) >= 4 {
		code, size := p.order.Uint16(b), int(p.order.Uint16(b[2:]))
		padded := (size + 3) &^ 3
		if code == 0 || len(b) < 4+padded {
			return
		}
		each(code, b[4:4+size])
		b = b[4+padded:]
	}
}

func (p *pcapng) finish(events []event.Event, n int) (int, error) {
	switch {
	case p.w.packing():
		p.w.err, p.w.pos, p.skip = io.EOF, p.w.end, 0
		return p.damage(events, n, ReasonPacking), nil
	case p.w.err == io.EOF && (p.w.end > p.w.pos || p.skip > 0):
		p.w.pos, p.skip = p.w.end, 0
		if !p.lost {
			return p.damage(events, n, ReasonTorn), nil
		}
	}
	if n == 0 && p.foreign && !p.good && p.w.err == io.EOF {
		return 0, ErrLinkType
	}
	if n == 0 {
		n = p.drain(events)
	}
	if n > 0 {
		return n, nil
	}
	return 0, p.w.err
}
