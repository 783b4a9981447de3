package transport

import (
	"encoding/binary"

	"go.einride.tech/can"
)

const (
	headerBits  = 39   // of an extended frame: start, identifier, flags, length
	meterHeads  = 1024 // identifiers remembered; a power of two
	meterChunk  = 10   // edges looked up at a time: the 80 bits behind the header are eight look-ups
	meterStates = 5    // as in bitTables
)

// Meter counts the bits of frames as FrameBits does, in a fraction of the time: it remembers what the header of each identifier adds,
// so that only the data is left to count. The zero value is ready. Not safe for concurrent use.
type Meter struct{ heads [meterHeads]meterHead }

// meterHead is what the header of a full extended frame comes to.
type meterHead struct {
	key   uint32 // identifier and meterKnown; 0 when free
	crc   uint16 // the header's part of the CRC behind eight bytes of data
	state uint8  // 12 times the state of stuffing before the header's last bit
	bits  uint8  // length of the frame without the stuff bits of what follows
}

const meterKnown = 1 << 31

// FrameBits is the function FrameBits, which it leaves to all but full extended data frames.
func (m *Meter) FrameBits(f *can.Frame) int {
	if f.Length != 8 || !f.IsExtended || f.IsRemote {
		return FrameBits(f)
	}
	h := &m.heads[f.ID*0x9E3779B1>>22]
	if h.key != f.ID|meterKnown {
		h.learn(f.ID)
	}
	t := &tables
	data := binary.BigEndian.Uint64(f.Data[:])
	crc := h.crc ^ t.crc[0][byte(data)] ^ t.crc[1][byte(data>>8)] ^ t.crc[2][byte(data>>16)] ^ t.crc[3][byte(data>>24)] ^
		t.crc[4][byte(data>>32)] ^ t.crc[5][byte(data>>40)] ^ t.crc[6][byte(data>>48)] ^ t.crc[7][data>>56]
	// The edges at the header's last bit and the first 63 of the data, then those at the last of the data and the CRC. The header of
	// eight bytes ends with 000, so the first is none.
	edges := data>>1 ^ data>>2
	end := data&3<<15 | uint64(crc)
	end = (end ^ end>>1) & 0xFFFF
	c := &chunks
	s0 := c[edges>>54] >> (h.state & 63)
	s1 := c[edges>>44&1023] >> (s0 & 63)
	s2 := c[edges>>34&1023] >> (s1 & 63)
	s3 := c[edges>>24&1023] >> (s2 & 63)
	s4 := c[edges>>14&1023] >> (s3 & 63)
	s5 := c[edges>>4&1023] >> (s4 & 63)
	s6 := c[edges&15<<6|end>>10] >> (s5 & 63)
	s7 := c[end&1023] >> (s6 & 63)
	added := s0&0xFC0 + s1&0xFC0 + s2&0xFC0 + s3&0xFC0 + s4&0xFC0 + s5&0xFC0 + s6&0xFC0 + s7&0xFC0
	return int(h.bits) + int(added>>6)
}

// learn counts the header of an identifier bit by bit.
func (h *meterHead) learn(id uint32) {
	head := uint64(id)>>18&0x7FF<<27 | 3<<25 | uint64(id)&0x3FFFF<<7 | 8
	t := &tables
	*h = meterHead{key: id | meterKnown, bits: headerBits + 64 + 15 + unstuffedBits}
	h.crc = t.crc[8][byte(head)] ^ t.crc[9][byte(head>>8)] ^ t.crc[10][byte(head>>16)] ^ t.crc[11][byte(head>>24)] ^ t.crc[12][byte(head>>32)]
	run := 0
	for bit := headerBits - 2; bit > 0; bit-- { // behind the start bit, and before the last
		var added int
		run, added = stuffing(run, (head^head>>1)>>bit&1 == 1)
		h.bits += uint8(added)
	}
	h.state = uint8(12 * run)
}

// stuffing is the step of the stuffing rule by one bit: from a state as in bitTables to the next, and how many stuff bits that adds.
func stuffing(run int, edge bool) (next, added int) {
	switch {
	case run == 4 && edge: // equal to the stuff bit
		return 1, 0
	case run == 4 || edge:
		return 0, 0
	case run == 3:
		return 4, 1
	}
	return run + 1, 0
}

// chunks is like bitTables.stuff for ten edges at a time.
var chunks = makeChunks()

func makeChunks() (t [1 << meterChunk]uint64) {
	for edges := range t {
		for state := range meterStates {
			run, sum := state, 0
			for bit := meterChunk - 1; bit >= 0; bit-- {
				var added int
				run, added = stuffing(run, edges>>bit&1 == 1)
				sum += added
			}
			t[edges] |= uint64(run*12|sum<<6) << (12 * state)
		}
	}
	return t
}
