package transport

import (
	"encoding/binary"

	"go.einride.tech/can"
)

// CAN frame format (ISO 11898-1; can-utils' bit counts agree): the stuffed part runs from the start bit to the end of the CRC; then
// come, never stuffed, CRC delimiter 1, acknowledge 2, end of frame 7 and interframe space 3.
const (
	crcBits       = 15
	crcPolynomial = 0x4599 // x^15 + x^14 + x^10 + x^8 + x^7 + x^4 + x^3 + 1
	unstuffedBits = 13
)

// FrameBits is the exact length of the frame on the wire in bits, stuff bits and the interframe space of 3 included. Neither
// acknowledge errors nor retransmissions are in it. A length above 8 counts as 8 bytes. Who counts many frames keeps a Lengths.
func FrameBits(f *can.Frame) int {
	h := headOf(f)
	return h.frameBits(&f.Data)
}

// Lengths counts as FrameBits does, in a fraction of the time: it remembers the headers of frames. Not safe for concurrent use.
type Lengths struct{ heads [1 << lengthsTable]head }

const lengthsTable = 12 // bits of the number of headers remembered

// FrameBits is what the function FrameBits gives for the frame.
func (l *Lengths) FrameBits(f *can.Frame) int {
	if f.IsRemote || !f.IsExtended {
		return FrameBits(f)
	}
	h := &l.heads[f.ID*0x9E3779B1>>(32-lengthsTable)]
	if h.id != f.ID || h.length != f.Length || h.bits == 0 {
		*h = headOf(f)
	}
	return h.frameBits(&f.Data)
}

// head is what the header of a frame adds to its bits.
type head struct {
	id     uint32
	crc    uint16 // the header's part of the CRC behind the data
	length uint8  // as in the frame, its last bit that of the header
	data   uint8  // bytes of data
	state  uint8  // of stuffing behind the header, as in chunks
	bits   uint8  // length of the frame without the stuff bits of what follows
}

func headOf(f *can.Frame) head {
	h := head{id: f.ID, length: f.Length, data: min(f.Length, can.MaxDataLength)}
	id, size, bits := uint64(f.ID), uint(19), uint64(f.Length)&15
	if f.IsRemote {
		h.data, bits = 0, bits|1<<6
	}
	if f.IsExtended {
		// start 0, identifier 28..18, SRR 1, IDE 1, identifier 17..0, RTR, r1 0, r0 0, length
		size, bits = 39, bits|id>>18&0x7FF<<27|3<<25|id&0x3FFFF<<7
	} else {
		// start 0, identifier 10..0, RTR, IDE 0, r0 0, length
		bits |= id & 0x7FF << 7
	}
	for k := range 5 {
		h.crc ^= crcs[int(h.data)+k][byte(bits>>(8*k))]
	}
	whole := size + 8*uint(h.data) + crcBits + unstuffedBits
	if h.data == 0 { // the CRC follows at once
		bits, size = bits<<crcBits|uint64(h.crc), size+crcBits
	}
	// What is before the first bit behind the start counts as edges: they leave "one equal bit", which the start bit is.
	edges := bits ^ bits>>1 | ^uint64(0)<<(size-1)
	state, added := uint64(0), uint64(0)
	for at := 6 * chunkBits; at > 0; {
		at -= chunkBits
		state = chunks[edges>>at&(1<<chunkBits-1)] >> (state & 63)
		added += state >> 8 & 15
	}
	h.state, h.bits = uint8(state&63), uint8(whole+uint(added))
	return h
}

// frameBits counts the stuff bits of data and CRC.
func (h *head) frameBits(data *can.Data) int {
	if h.data == 0 {
		return int(h.bits)
	}
	unused := 64 - 8*uint(h.data)
	d := binary.BigEndian.Uint64(data[:]) >> (unused & 63)
	t := crcs
	crc := uint64(h.crc ^ t[0][byte(d)] ^ t[1][byte(d>>8)] ^ t[2][byte(d>>16)] ^ t[3][byte(d>>24)] ^
		t[4][byte(d>>32)] ^ t[5][byte(d>>40)] ^ t[6][byte(d>>48)] ^ t[7][byte(d>>56)])
	// Data and CRC, up to 79 bits from the left of hi and lo, and their edges, the first of them at the header's last bit.
	hi := d<<(unused&63) | crc<<48>>((63-unused)&63)
	lo := crc << (64 - crcBits) << (unused & 63)
	lo ^= hi<<63 | lo>>1
	hi ^= uint64(h.length)<<63 | hi>>1
	b := &behind[h.data&15]
	hi, lo = hi|b[0], lo|b[1]
	c := &chunks
	s0 := c[hi>>54] >> (h.state & 63)
	s1 := c[hi>>44&1023] >> (s0 & 63)
	s2 := c[hi>>34&1023] >> (s1 & 63)
	s3 := c[hi>>24&1023] >> (s2 & 63)
	s4 := c[hi>>14&1023] >> (s3 & 63)
	s5 := c[hi>>4&1023] >> (s4 & 63)
	s6 := c[hi&15<<6|lo>>58] >> (s5 & 63)
	s7 := c[lo>>48&1023] >> (s6 & 63)
	added := (s0+s1+s2+s3)&0xF00 + (s4+s5+s6+s7)&0xF00 // four sums of at most 3, above four states of at most 48
	return int(h.bits) + int(added>>8)
}

// behind[n] are the bits behind the CRC of n bytes of data, in the same places. Taken for edges, they add no stuff bit.
var behind = func() (t [16][2]uint64) {
	for n := range uint(9) {
		end := 8*n + crcBits
		t[n] = [2]uint64{^uint64(0) >> end, ^uint64(0) >> (max(end, 64) - 64)}
	}
	return t
}()

// crcs[k][b] is what byte b, with k bytes after it, adds to the CRC.
var crcs = makeCRCs()

func makeCRCs() *[13][256]uint16 {
	t := new([13][256]uint16)
	for b := range 256 {
		c := uint16(b) << 7
		for k := range t {
			for range 8 {
				c <<= 1
				if c&0x8000 != 0 {
					c ^= 0x8000 | crcPolynomial
				}
			}
			t[k][b] = c
		}
	}
	return t
}

const (
	chunkBits   = 10 // edges looked up at a time
	stuffStates = 5  // a run of 1 to 4 equal bits, or a stuff bit just sent
)

// chunks[e] is the effect of the ten edges e (1: the bit differs from the one before it) in each state: 12 bits that hold the shift of the
// state after (8 bits) and the stuff bits added (4).
var chunks = makeChunks()

func makeChunks() (t [1 << chunkBits]uint64) {
	for edges := range t {
		for state := range stuffStates {
			run, sum := state, 0
			for bit := chunkBits - 1; bit >= 0; bit-- {
				var added int
				run, added = stuffing(run, edges>>bit&1 == 1)
				sum += added
			}
			t[edges] |= uint64(run*12|sum<<8) << (12 * state)
		}
	}
	return t
}

// stuffing is the step of the stuffing rule by one bit: from a state (0 to 3: one to four equal bits; 4: a stuff bit just sent) to the
// next, and how many stuff bits that adds.
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
