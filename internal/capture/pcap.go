package capture

import (
	"encoding/binary"
	"fmt"
	"io"

	"muster/internal/event"
)

const maxRecord = 64 << 10 // longest record looked at; CAN's are 72 bytes and a cooked header

// pcap reads the classic format (tcpdump.org, "pcap-savefile"), its records in place.
type pcap struct {
	ledger
	w     *window
	order binary.ByteOrder
	link  uint32
	nanos bool
	lost  bool // looking for the next record after damage
	secs  uint32

	noFast bool // for tests: everything through record
}

func newPcap(w *window) (*pcap, error) {
	if !w.need(24) {
		return nil, fmt.Errorf("pcap header is cut off: %w", ErrEmpty)
	}
	h := w.rest()
	p := &pcap{w: w, order: binary.LittleEndian}
	if h[0] == 0xA1 {
		p.order = binary.BigEndian
	}
	p.nanos = p.order.Uint32(h) == 0xA1B23C4D
	p.link = p.order.Uint32(h[20:]) & 0x0FFFFFFF
	if !knownLink(p.link) {
		return nil, fmt.Errorf("pcap link type %d: %w", p.link, ErrLinkType)
	}
	w.pos += 24
	p.fallback = event.Network{ID: "can0", Kind: event.NMEA2000}
	return p, nil
}

func (p *pcap) decode(events []event.Event) (int, error) {
	n := 0
	for n < len(events) {
		if len(p.nets) == 0 {
			events[n] = p.announce(p.fallback, 0)
			n++
			continue
		}
		if m := p.fast(events[n:]); m > 0 {
			n += m
			continue
		}
		if n > 0 && p.w.short(16) {
			return n, nil
		}
		if !p.w.need(16) {
			return p.finish(events, n)
		}
		size, ok := p.plausible(p.w.rest())
		if !ok {
			if !p.lost {
				p.lost = true
				n = p.damage(events, n, ReasonRecord)
			}
			p.w.pos++
			continue
		}
		if n > 0 && p.w.short(16+size) {
			return n, nil
		}
		if !p.w.need(16 + size) {
			if p.lost { // it only looked like a record
				p.w.pos++
				continue
			}
			return p.finish(events, n)
		}
		if p.lost && !p.confirmed(size) {
			p.w.pos++
			continue
		}
		p.lost = false
		n = p.record(events, n, size)
		p.w.pos += 16 + size
	}
	return n, nil
}

// plausible reports the length of the record whose header is h, if h is a possible header.
func (p *pcap) plausible(h []byte) (int, bool) {
	size, orig, frac := p.order.Uint32(h[8:]), p.order.Uint32(h[12:]), p.order.Uint32(h[4:])
	limit := uint32(1_000_000)
	if p.nanos {
		limit = 1_000_000_000
	}
	if size > maxRecord || orig < size || frac >= limit {
		return 0, false
	}
	if p.lost { // after damage be strict: a frame's size, and near in time to what came before
		sec := p.order.Uint32(h)
		return int(size), size >= 8 && size <= 92 && orig == size && (p.secs == 0 || sec-p.secs+86400 <= 2*86400)
	}
	return int(size), true
}

// confirmed reports that another record, or the end, follows the one found after damage.
func (p *pcap) confirmed(size int) bool {
	if !p.w.need(16 + size + 16) {
		return p.w.end-p.w.pos == 16+size
	}
	_, ok := p.plausible(p.w.rest()[16+size:])
	return ok
}

func (p *pcap) record(events []event.Event, n, size int) int {
	b := p.w.rest()
	p.secs = p.order.Uint32(b)
	frac := p.order.Uint32(b[4:])
	if !p.nanos {
		frac *= 1000
	}
	p.last = event.Time(int64(p.secs)*1e9 + int64(frac))
	data := payload(p.link, b[16:16+size])
	if data == nil {
		return p.damage(events, n, ReasonLinkType)
	}
	e := &events[n]
	*e = event.Event{Time: p.last, Sent: p.link != linkCAN && b[16+sentAt(p.link)] == 4}
	if r := takeFrame(data, e); r != reasonNone {
		return p.damage(events, n, r)
	}
	return n + 1
}

// sentAt is where a cooked header marks a packet that this host sent (4).
func sentAt(link uint32) int {
	if link == linkCooked {
		return 1 // low byte of the big-endian packet type
	}
	return 10
}

func (p *pcap) finish(events []event.Event, n int) (int, error) {
	if p.w.packing() {
		p.w.err, p.w.pos = io.EOF, p.w.end
		return p.damage(events, n, ReasonPacking), nil
	}
	if p.w.err == io.EOF && p.w.end > p.w.pos {
		p.w.pos = p.w.end
		if !p.lost {
			return p.damage(events, n, ReasonTorn), nil
		}
	}
	if n > 0 {
		return n, nil
	}
	return 0, p.w.err
}
