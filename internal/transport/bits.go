package transport

import (
	"encoding/binary"

	"go.einride.tech/can"
)

// CAN frame format (ISO 11898-1; can-utils' bit counts agree): the stuffed part runs from the start bit to the end of the CRC; then
// come, never stuffed, CRC delimiter 1, acknowledge 2, end of frame 7 and interframe space 3.
const (
	unstuffedBits = 13
	crcPolynomial = 0x4599 // x^15 + x^14 + x^10 + x^8 + x^7 + x^4 + x^3 + 1
)

// bitTables make a frame's length a matter of a few look-ups.
type bitTables struct {
	// crc[k][b] is what byte b, with k bytes after it, adds to the CRC.
	crc [13][256]uint16
	// stuff[b] is the effect of the eight edges b (1: the bit differs from the one before it) in each of five states: a run of
	// 1 to 4 equal bits, or a stuff bit just sent. A state is 12 bits: the shift of the state after (6 bits), stuff bits added (6).
	stuff [256]uint64
}

// makeBitTables computes the tables from the bit by bit rules.
func makeBitTables() *bitTables {
	t := new(bitTables)
	for b := range 256 {
		c := uint16(b) << 7
		for k := range t.crc {
			for range 8 {
				c <<= 1
				if c&0x8000 != 0 {
					c ^= 0x8000 | crcPolynomial
				}
			}
			t.crc[k][b] = c
		}
		for state := range 5 {
			run, added := state, 0 // run 0..3 stands for 1..4 equal bits, 4 for a stuff bit just sent
			for bit := 7; bit >= 0; bit-- {
				var stuffed int
				run, stuffed = stuffing(run, b>>bit&1 == 1)
				added += stuffed
			}
			t.stuff[b] |= uint64(run*12|added<<6) << (12 * state)
		}
	}
	return t
}

var tables = makeBitTables()

// FrameBits is the exact length of the frame on the wire in bits, stuff bits and the interframe space of 3 included. Neither
// acknowledge errors nor retransmissions are in it. A length above 8 counts as 8 bytes.
func FrameBits(f *can.Frame) int {
	n := min(uint(f.Length), can.MaxDataLength)
	head := uint64(f.Length) & 15
	if f.IsRemote {
		n, head = 0, head|1<<6
	}
	data := binary.BigEndian.Uint64(f.Data[:]) >> (64 - 8*n)
	// start 0, identifier 10..0, RTR, IDE 0, r0 0, length
	headBits, id := uint(19), uint64(f.ID)
	if f.IsExtended {
		// start 0, identifier 28..18, SRR 1, IDE 1, identifier 17..0, RTR, r1 0, r0 0, length
		headBits, head = 39, head|id>>18&0x7FF<<27|3<<25|id&0x3FFFF<<7
	} else {
		head |= id & 0x7FF << 7
	}
	// Header and data as 128 bits, right-aligned. Zero bits before them change nothing in the CRC, which starts at 0.
	lo, hi := data|head<<(8*n), head>>(64-8*n)
	t := tables
	crc := t.crc[0][byte(lo)] ^ t.crc[1][byte(lo>>8)] ^ t.crc[2][byte(lo>>16)] ^ t.crc[3][byte(lo>>24)] ^
		t.crc[4][byte(lo>>32)] ^ t.crc[5][byte(lo>>40)] ^ t.crc[6][byte(lo>>48)] ^ t.crc[7][byte(lo>>56)] ^
		t.crc[8][byte(hi)] ^ t.crc[9][byte(hi>>8)] ^ t.crc[10][byte(hi>>16)] ^ t.crc[11][byte(hi>>24)] ^ t.crc[12][byte(hi>>32)]
	// All bits but the last of header and data make 13 bytes of edges. The start bit and the padding before it count as edges, which
	// leaves "one equal bit" before the first real run, and the last bit goes with the CRC.
	end := lo&3<<15 | uint64(crc)
	lo, hi = lo>>1|hi<<63, hi>>1
	edgeLo, edgeHi := lo^(lo>>1|hi<<63), hi^hi>>1
	if first := headBits + 8*n - 2; first < 64 { // where the start bit lies
		edgeHi = ^uint64(0)
		edgeLo |= ^uint64(0) << first
	} else {
		edgeHi |= ^uint64(0) << (first - 64)
	}
	var edges [16]byte
	binary.BigEndian.PutUint64(edges[:], edgeHi<<24|edgeLo>>40)
	binary.BigEndian.PutUint64(edges[8:], edgeLo<<24|(end^end>>1)&0xFFFF<<8)
	state, added := uint64(0), uint64(0)
	for _, b := range edges[:15] {
		state = t.stuff[b] >> (state & 63)
		added += state & (63 << 6)
	}
	return int(headBits+8*n) + 15 + int(added>>6) + unstuffedBits
}
