package capture

import (
	"encoding/binary"
	"sync"

	"go.einride.tech/can"

	"muster/internal/event"
)

// hot remembers what the last fast line had in common with the one before it, and the interfaces.
type hot struct {
	pairs *[1 << 16]uint16
	head  [12]byte // "(SSSSSSSSSS."
	base  event.Time
	label
	labels []label // of all networks met so far
}

// label is how an interface is written in a line.
type label struct {
	name   uint64 // with the blank behind it, little-endian
	mask   uint64 // which bytes of name count
	length int    // of the name with its blank; 0: none that the fast path reads
	net    uint16
}

// fastSpan is how many bytes must be at hand for the fast path to read without looking: the longest line it takes, and a load more.
const fastSpan = 96

// fast parses lines of the commonest shape, from the front of the window, until one differs or events is full:
//
//	(SSSSSSSSSS.FFFFFF[FFF]) NAME IIIIIIII#DD…DD\n
//
// with ten digits of seconds, a name of up to seven bytes, a 29-bit identifier and up to eight data bytes. parseLine reads the
// same shape and is the oracle.
func (t *text) fast(events []event.Event) int {
	n := 0
	for {
		k, used := t.hot.lines(t.w.rest(), events[n:])
		n += k
		t.w.pos += used
		if rest := t.w.rest(); n == len(events) || len(rest) < fastSpan || !t.learn((*[fastSpan]byte)(rest)) {
			break
		}
	}
	if n > 0 {
		t.last, t.lastNet = events[n-1].Time, events[n-1].Network
	}
	return n
}

// lines parses lines until one has another shape, second or name than is remembered; it returns how many and their length in bytes.
func (h *hot) lines(buf []byte, events []event.Event) (n, pos int) {
	pairs := h.pairs
	for n < len(events) && pos+fastSpan <= len(buf) {
		b, e := (*[fastSpan]byte)(buf[pos:]), &events[n]
		if binary.LittleEndian.Uint64(b[:]) != binary.LittleEndian.Uint64(h.head[:]) ||
			binary.LittleEndian.Uint32(b[8:]) != binary.LittleEndian.Uint32(h.head[8:]) {
			return n, pos
		}
		at, p := h.base, 20
		x := binary.LittleEndian.Uint64(b[12:])
		if six := x ^ 0x2029_3030_3030_3030; (six|(six+0x0606_0606_0606))&0xFFFF_F0F0_F0F0_F0F0 == 0 { // "FFFFFF) "
			at += event.Time(number(six<<16) * 1000)
		} else {
			eight, last := x^0x3030_3030_3030_3030, b[20]-'0'
			if (eight|(eight+0x0606_0606_0606_0606))&0xF0F0_F0F0_F0F0_F0F0 != 0 || last > 9 || b[21] != ')' || b[22] != ' ' {
				return n, pos
			}
			at += event.Time(number(eight)*10 + uint64(last))
			p = 23
		}
		if word := binary.LittleEndian.Uint64(b[p:]); word&h.mask != h.name || h.length == 0 {
			if !h.turn(word) {
				return n, pos
			}
		}
		p += h.length
		r := (*[26]byte)(b[p:]) // IIIIIIII#DDDDDDDDDDDDDDDD and the line's end
		i0, i1, i2, i3 := pair(pairs, r[0], r[1]), pair(pairs, r[2], r[3]), pair(pairs, r[4], r[5]), pair(pairs, r[6], r[7])
		id := i0<<24 | i1<<16 | i2<<8 | i3
		if i0|i1|i2|i3 > 0xFF || id > can.MaxExtendedID || r[8] != '#' {
			return n, pos
		}
		*e = event.Event{}
		e.Frame.Length = 8
		if r[25] == '\n' {
			d0, d1, d2, d3 := pair(pairs, r[9], r[10]), pair(pairs, r[11], r[12]), pair(pairs, r[13], r[14]), pair(pairs, r[15], r[16])
			d4, d5, d6, d7 := pair(pairs, r[17], r[18]), pair(pairs, r[19], r[20]), pair(pairs, r[21], r[22]), pair(pairs, r[23], r[24])
			if d0|d1|d2|d3|d4|d5|d6|d7 > 0xFF {
				return n, pos
			}
			data := uint64(d0|d1<<8|d2<<16|d3<<24) | uint64(d4|d5<<8|d6<<16|d7<<24)<<32
			binary.LittleEndian.PutUint64(e.Frame.Data[:], data)
		} else {
			k := 0
			for k < 8 {
				d := pair(pairs, r[9+2*k], r[10+2*k])
				if d > 0xFF {
					break
				}
				e.Frame.Data[k] = byte(d)
				k++
			}
			if r[9+2*k] != '\n' {
				return n, pos
			}
			e.Frame.Length = uint8(k)
			p -= 2 * (8 - k)
		}
		e.Time, e.Kind, e.Network = at, event.KindFrame, h.net
		e.Frame.ID, e.Frame.IsExtended = id, true
		pos += p + len(r)
		n++
	}
	return n, pos
}

// turn takes the interface whose name is at the start of word; false when the fast path has not seen it yet.
func (h *hot) turn(word uint64) bool {
	for i := range h.labels {
		if l := &h.labels[i]; l.length > 0 && word&l.mask == l.name {
			h.label = *l
			return true
		}
	}
	return false
}

// learn takes the second of a line that hot.lines refused, or the names of networks that were met since; false when there is nothing new.
func (t *text) learn(b *[fastSpan]byte) bool {
	h := &t.hot
	if [12]byte(b[:]) != h.head {
		sec, k, _ := digits(b[1:11], 10)
		if b[0] != '(' || k != 10 || b[11] != '.' || sec > 9_223_372_035 {
			return false
		}
		h.head, h.base = [12]byte(b[:]), event.Time(sec*1e9)
		return true
	}
	known := len(h.labels)
	for i := known; i < len(t.nets); i++ {
		h.labels = append(h.labels, labelOf(t.nets[i], uint16(i)))
	}
	return len(h.labels) > known
}

// labelOf is the label of a bus with a name of up to seven bytes; of others it is empty.
func labelOf(info *event.Network, net uint16) label {
	k := len(info.ID)
	if k == 0 || k > 7 || info.Kind != event.NMEA2000 {
		return label{}
	}
	var name [8]byte
	copy(name[:], info.ID)
	name[k] = ' '
	return label{name: binary.LittleEndian.Uint64(name[:]), mask: ^uint64(0) >> (64 - 8*(k+1)), length: k + 1, net: net}
}

// number is that of eight decimal digits, one a byte, the first in the lowest.
func number(x uint64) uint64 {
	x = x * (10<<8 + 1) >> 8 & 0x00FF00FF00FF00FF    // pairs
	x = x * (100<<16 + 1) >> 16 & 0x0000FFFF0000FFFF // fours
	return x * (10000<<32 + 1) >> 32
}

// pair is the value of two hex digits of either case, above 255 when they are none.
func pair(pairs *[1 << 16]uint16, first, second byte) uint32 {
	return uint32(pairs[uint16(first)|uint16(second)<<8])
}

// hexPairs is the table of pair. Only the few lines of it that digits lead to are ever looked at, so it stays in the nearest cache.
var hexPairs = sync.OnceValue(func() *[1 << 16]uint16 {
	const digits = "0123456789ABCDEFabcdef"
	t := &[1 << 16]uint16{1 << 15}
	for n := 1; n < len(t); n *= 2 {
		copy(t[n:], t[:n])
	}
	for _, first := range []byte(digits) {
		for _, second := range []byte(digits) {
			t[uint16(first)|uint16(second)<<8] = uint16(nibble[first])<<4 | uint16(nibble[second])
		}
	}
	return t
})
