package transport

import (
	"encoding/binary"

	"go.einride.tech/can"
)

const (
	headerBits = 39 // of an extended frame: start, identifier, flags, length
	headChunk  = 10 // edges looked up at a time: the 80 bits behind the header are eight look-ups
	headStates = 5  // as in bitTables
)

// Head is what the header of an extended data frame of eight bytes adds to its bits. Whoever keeps it for an identifier has only the
// data left to count, in a fraction of the time of FrameBits.
type Head struct {
	crc   uint16 // the header's part of the CRC behind eight bytes of data
	state uint8  // 12 times the state of stuffing before the header's last bit
	bits  uint8  // length of the frame without the stuff bits of what follows
}

// HeadOf counts the header of an identifier bit by bit.
func HeadOf(id uint32) Head {
	head := uint64(id)>>18&0x7FF<<27 | 3<<25 | uint64(id)&0x3FFFF<<7 | 8
	t := tables
	h := Head{bits: headerBits + 64 + 15 + unstuffedBits}
	h.crc = t.crc[8][byte(head)] ^ t.crc[9][byte(head>>8)] ^ t.crc[10][byte(head>>16)] ^ t.crc[11][byte(head>>24)] ^ t.crc[12][byte(head>>32)]
	run := 0
	for bit := headerBits - 2; bit > 0; bit-- { // behind the start bit, and before the last
		var added int
		run, added = stuffing(run, (head^head>>1)>>bit&1 == 1)
		h.bits += uint8(added)
	}
	h.state = uint8(12 * run)
	return h
}

// FrameBits is what the function FrameBits gives for the frame with this header and these eight bytes.
func (h Head) FrameBits(data *can.Data) int {
	t := tables
	crc := h.crc ^ t.crc[7][data[0]] ^ t.crc[6][data[1]] ^ t.crc[5][data[2]] ^ t.crc[4][data[3]] ^
		t.crc[3][data[4]] ^ t.crc[2][data[5]] ^ t.crc[1][data[6]] ^ t.crc[0][data[7]]
	d := binary.BigEndian.Uint64(data[:])
	// The edges at the header's last bit and the first 63 of the data, then those at the last of the data and the CRC. The header of
	// eight bytes ends with 000, so the first is none.
	edges := d>>1 ^ d>>2
	end := d&3<<15 | uint64(crc)
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
	added := (s0+s1+s2+s3)&0xF00 + (s4+s5+s6+s7)&0xF00 // four sums of at most 3, above four states of at most 48
	return int(h.bits) + int(added>>8)
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

// chunks is like bitTables.stuff for ten edges at a time, but that the stuff bits stand in the upper 4 of the 12 bits.
var chunks = makeChunks()

func makeChunks() (t [1 << headChunk]uint64) {
	for edges := range t {
		for state := range headStates {
			run, sum := state, 0
			for bit := headChunk - 1; bit >= 0; bit-- {
				var added int
				run, added = stuffing(run, edges>>bit&1 == 1)
				sum += added
			}
			t[edges] |= uint64(run*12|sum<<8) << (12 * state)
		}
	}
	return t
}

// Lengths counts the bits of frames, and remembers the heads of their identifiers. Not safe for concurrent use.
type Lengths struct{ heads [1 << lengthTable]knownHead }

const lengthTable = 12 // bits of the number of identifiers remembered

type knownHead struct {
	id   uint32 // 0 when unused
	head Head
}

// FrameBits is what the function FrameBits gives for the frame.
func (l *Lengths) FrameBits(f *can.Frame) int {
	if !f.IsExtended || f.IsRemote || f.Length != can.MaxDataLength {
		return FrameBits(f)
	}
	h := &l.heads[f.ID*0x9E3779B1>>(32-lengthTable)]
	if h.id != f.ID || f.ID == 0 {
		*h = knownHead{f.ID, HeadOf(f.ID)}
	}
	return h.head.FrameBits(&f.Data)
}
