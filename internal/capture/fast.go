package capture

import (
	"encoding/binary"

	"muster/internal/event"
)

// hot remembers what the last fast line had in common with the one before it.
type hot struct {
	sec    [10]byte // the digits of the second
	base   event.Time
	name   uint64 // the interface's name and the blank behind it, little-endian
	mask   uint64 // which bytes of name count
	length int    // of the name with its blank; 0: none yet
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
	h := &t.hot
	buf, pos, n := t.w.buf[:t.w.end], t.w.pos, 0
	last := t.last
	for n < len(events) && pos+fastSpan <= len(buf) {
		b := buf[pos : pos+fastSpan : pos+fastSpan]
		if b[0] != '(' || b[11] != '.' {
			break
		}
		if binary.LittleEndian.Uint64(b[1:]) != binary.LittleEndian.Uint64(h.sec[:]) ||
			binary.LittleEndian.Uint16(b[9:]) != binary.LittleEndian.Uint16(h.sec[8:]) {
			sec, k, _ := digits(b[1:11], 10)
			if k != 10 || sec > 9_223_372_035 {
				break
			}
			copy(h.sec[:], b[1:])
			h.base = event.Time(sec * 1e9)
		}
		x := binary.LittleEndian.Uint64(b[12:])
		at := h.base
		p := 20
		if x>>48 == ' '<<8|')' {
			frac, ok := decimal8(x<<16 | '0'<<8 | '0')
			if !ok {
				break
			}
			at += event.Time(frac * 1000)
		} else {
			frac, ok := decimal8(x)
			if !ok || b[20]-'0' > 9 || b[21] != ')' || b[22] != ' ' {
				break
			}
			at += event.Time(frac*10 + uint64(b[20]-'0'))
			p = 23
		}
		if name := binary.LittleEndian.Uint64(b[p:]); h.length == 0 || name&h.mask != h.name {
			if !t.recall(name) {
				break
			}
		}
		p += h.length
		id, ok := hex8(binary.LittleEndian.Uint64(b[p:]))
		if !ok || id > 0x1FFFFFFF || b[p+8] != '#' {
			break
		}
		p += 9
		e := &events[n]
		if b[p+16] == '\n' {
			hi, ok1 := hex8(binary.LittleEndian.Uint64(b[p:]))
			lo, ok2 := hex8(binary.LittleEndian.Uint64(b[p+8:]))
			if !ok1 || !ok2 {
				break
			}
			*e = event.Event{}
			e.Frame.Length = 8
			binary.BigEndian.PutUint32(e.Frame.Data[:4], hi)
			binary.BigEndian.PutUint32(e.Frame.Data[4:], lo)
			p += 17
		} else {
			*e = event.Event{}
			k := uint8(0)
			for k < 8 {
				hi, lo := nibble[b[p]], nibble[b[p+1]]
				if hi|lo > 15 {
					break
				}
				e.Frame.Data[k] = hi<<4 | lo
				k++
				p += 2
			}
			if b[p] != '\n' {
				break
			}
			e.Frame.Length = k
			p++
		}
		e.Time = at
		e.Kind = event.KindFrame
		e.Network = h.net
		e.Frame.ID = id
		e.Frame.IsExtended = true
		last = at
		pos += p
		n++
	}
	if n > 0 {
		t.last, t.lastNet = last, h.net
	}
	t.w.pos = pos
	return n
}

// recall points hot at the network whose name stands at the front of word; false when it is new or too long for the fast path.
func (t *text) recall(word uint64) bool {
	for i, info := range t.nets {
		k := len(info.ID)
		if k == 0 || k > 7 || info.Kind != event.NMEA2000 {
			continue
		}
		var name [8]byte
		copy(name[:], info.ID)
		name[k] = ' '
		mask := ^uint64(0) >> (64 - 8*(k+1))
		if want := binary.LittleEndian.Uint64(name[:]); word&mask == want {
			t.hot.name, t.hot.mask, t.hot.length, t.hot.net = want, mask, k+1, uint16(i)
			return true
		}
	}
	return false
}

// decimal8 reads eight ASCII digits, the first in the lowest byte.
func decimal8(x uint64) (uint64, bool) {
	if x&0xF0F0F0F0F0F0F0F0 != 0x3030303030303030 || (x+0x0606060606060606)&0xF0F0F0F0F0F0F0F0 != 0x3030303030303030 {
		return 0, false
	}
	x &= 0x0F0F0F0F0F0F0F0F
	x = x * (10<<8 + 1) >> 8 & 0x00FF00FF00FF00FF    // pairs
	x = x * (100<<16 + 1) >> 16 & 0x0000FFFF0000FFFF // fours
	return x * (10000<<32 + 1) >> 32, true
}

// hex8 reads eight ASCII hex digits of either case, the first in the lowest byte.
func hex8(x uint64) (uint32, bool) {
	const (
		ones = 0x0101010101010101
		high = 0x8080808080808080
	)
	// Per byte: a digit is 0x30–0x39; a letter, folded to lower case, 0x61–0x66. No sum carries into the next byte once the
	// top bits are known to be clear.
	if x&high != 0 {
		return 0, false
	}
	lower := x | 0x20*ones
	digit := (x + (0x80-'0')*ones) &^ (x + (0x80-'9'-1)*ones) & high
	letter := (lower + (0x80-'a')*ones) &^ (lower + (0x80-'f'-1)*ones) & high
	if digit|letter != high {
		return 0, false
	}
	v := x&(0x0F*ones) + letter>>7*9 // one nibble a byte
	v = (v<<4 | v>>8) & 0x00FF00FF00FF00FF
	v = (v<<8 | v>>16) & 0x0000FFFF0000FFFF
	return uint32(v<<16 | v>>32), true
}
