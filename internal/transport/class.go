package transport

import (
	"sync"

	"muster/pgn"
)

// How the frames of a PGN are to be read.
const (
	classSingle  = 0
	classFast    = 1
	classControl = 2
	classData    = 3
)

// The carriers of the ISO transport protocol (ISO 11783-3, SAE J1939-21).
const (
	PGNControl uint32 = 60416 // connection management
	PGNData    uint32 = 60160 // data transfer
)

// classes holds two bits for each of the 2^18 PGNs.
type classes [1 << 18 / 32]uint64

func (c *classes) of(n uint32) uint8 {
	n &= 1<<18 - 1
	return uint8(c[n>>5] >> (n & 31 * 2) & 3)
}

func (c *classes) set(n uint32, class uint64) { c[n>>5] |= class << (n & 31 * 2) }

// sharedClasses is built once and read only afterwards.
var sharedClasses = sync.OnceValue(func() *classes {
	c := new(classes)
	for n := uint32(0); n < 1<<18; n++ {
		if n>>8&0xFF < 240 && n&0xFF != 0 {
			n |= 0xFF // a destination, not part of the PGN
			continue
		}
		switch {
		case n == PGNControl:
			c.set(n, classControl)
		case n == PGNData:
			c.set(n, classData)
		case pgn.TransportOf(n) == pgn.Fast:
			c.set(n, classFast)
		}
	}
	return c
})
