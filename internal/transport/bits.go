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
func makeBitTables() (t bitTables) {
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
				edge := b>>bit&1 == 1
				switch {
				case run == 4 && edge: // equal to the stuff bit
					run = 1
				case run == 4 || edge:
					run = 0
				default:
					run++
					if run == 4 {
						added++
					}
				}
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
	dlc := uint64(f.Length) & 15
	if f.IsRemote {
		n = 0
	}
	data := binary.BigEndian.Uint64(f.Data[:]) >> (64 - 8*n)
	// The header, start bit first; the CRC starts at 0, so zero bits before the start bit do not change it.
	var head uint64
	var headBits uint
	if f.IsExtended {
		// start 0, identifier 28..18, SRR 1, IDE 1, identifier 17..0, RTR, r1 0, r0 0, length
		id := uint64(f.ID)
		head = id>>18&0x7FF<<27 | 3<<25 | id&0x3FFFF<<7 | dlc
		if f.IsRemote {
			head |= 1 << 6
		}
		headBits = 39
	} else {
		// start 0, identifier 10..0, RTR, IDE 0, r0 0, length
		head = uint64(f.ID)&0x7FF<<7 | dlc
		if f.IsRemote {
			head |= 1 << 6
		}
		headBits = 19
	}
	t := &tables
	crc := t.crc[n][byte(head)] ^ t.crc[n+1][byte(head>>8)] ^ t.crc[n+2][byte(head>>16)] ^ t.crc[n+3][byte(head>>24)] ^
		t.crc[n+4][byte(head>>32)]
	for k, d := uint(0), data; k < n; k++ {
		crc ^= t.crc[k][byte(d)]
		d >>= 8
	}
	// The stuffed part as 128 bits, right-aligned: head, data, CRC.
	lo := data<<15 | uint64(crc)
	hi := data >> 49
	if s := 8*n + 15; s < 64 {
		lo |= head << s
		hi |= head >> (64 - s)
	} else {
		hi |= head << (s - 64)
	}
	total := headBits + 8*n + 15
	// Edges; the start bit and the padding before it count as edges, which leaves the state "one bit" before the first real run.
	edgeLo := lo ^ (lo>>1 | hi<<63)
	edgeHi := hi ^ hi>>1
	if total > 64 {
		edgeHi |= ^uint64(0) << (total - 65)
	} else {
		edgeHi = ^uint64(0)
		edgeLo |= ^uint64(0) << (total - 1)
	}
	var added, state uint64
	for at := int(total-57) &^ 7; at >= 0; at -= 8 {
		step := t.stuff[byte(edgeHi>>at)] >> (state & 63)
		added += step >> 6 & 63
		state = step
	}
	for at := min(int(total+7)&^7, 64) - 8; at >= 0; at -= 8 {
		step := t.stuff[byte(edgeLo>>at)] >> (state & 63)
		added += step >> 6 & 63
		state = step
	}
	return int(total) + int(added) + unstuffedBits
}
