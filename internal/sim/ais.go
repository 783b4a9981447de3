package sim

import (
	"fmt"
	"math"
	"strings"
)

// maxPayload is how many characters of a message one AIS sentence carries: with more it would be longer than a sentence may be.
const maxPayload = 60

// aisMessage is what an AIS unit sends at a turn: of its own vessel for VDO, of the vessels around for VDM. Every
// fourth turn is static data, so that a short capture holds it; on the water it comes every six minutes.
func aisMessage(own bool, v *view, turn int) *sixBits {
	m := &sixBits{}
	n := turn / 4
	if turn%4 != 3 {
		n = turn - turn/4
	}
	switch {
	case own && turn%4 == 3:
		m.staticB(&v.own, n%2)
	case own:
		m.position(&v.own, v)
	case turn%4 != 3:
		m.position(&v.targets[n%len(v.targets)], v)
	default:
		m.static(v.targets[:], n)
	}
	return m
}

// sixBits is an AIS message being written (ITU-R M.1371, after gpsd's AIVDM page).
type sixBits struct {
	symbols []byte // of six bits
	n       int    // bits
}

func (m *sixBits) uint(value int64, width int) {
	for i := width - 1; i >= 0; i-- {
		if m.n%6 == 0 {
			m.symbols = append(m.symbols, 0)
		}
		m.symbols[m.n/6] |= byte(value>>i&1) << (5 - m.n%6)
		m.n++
	}
}

// text writes n characters of AIS's alphabet; what it does not have becomes a space.
func (m *sixBits) text(s string, n int) {
	s = strings.ToUpper(s)
	for i := range n {
		c := byte(0) // '@', the fill
		if i < len(s) {
			c = s[i]
			if c < ' ' || c > '_' {
				c = ' '
			}
		}
		m.uint(int64(c&0x3F), 6)
	}
}

// position writes a position report: message 1 (class A) or 18 (class B), 168 bits.
func (m *sixBits) position(t *target, v *view) {
	cog := int64(math.Round(t.cog/rad*10)) % 3600
	kind := int64(1)
	if t.classB {
		kind = 18
	}
	m.uint(kind, 6)
	m.uint(0, 2)
	m.uint(int64(t.mmsi), 30)
	if t.classB {
		m.uint(0, 8)
	} else {
		m.uint(0, 4)
		m.uint(0, 8)
	}
	m.uint(int64(math.Round(t.sog/knot*10)), 10)
	m.uint(1, 1)
	m.uint(int64(math.Round(t.lon*600000)), 28)
	m.uint(int64(math.Round(t.lat*600000)), 27)
	m.uint(cog, 12)
	m.uint(cog/10, 9)
	m.uint(int64(v.seconds())%60, 6)
	m.uint(0, 2)
	if t.classB {
		m.uint(0x1D, 6)    // carrier sense, no display, DSC, band, message 22
		m.uint(0, 1)       // no RAIM
		m.uint(1, 1)       // ITDMA
		m.uint(393222, 19) // no communication state for carrier sense
		return
	}
	m.uint(0, 3)
	m.uint(0, 1)
	m.uint(0, 19)
}

// static writes static data: of every ship its message 5, of every boat of class B one part of its message 24 after the other.
func (m *sixBits) static(targets []target, n int) {
	parts := 0
	for i := range targets {
		parts += targets[i].staticParts()
	}
	n %= parts
	for i := range targets {
		t := &targets[i]
		switch {
		case n >= t.staticParts():
			n -= t.staticParts()
			continue
		case t.classB:
			m.staticB(t, n)
		default:
			m.staticA(t)
		}
		return
	}
}

func (t *target) staticParts() int {
	if t.classB {
		return 2
	}
	return 1
}

// staticA is message 5, 424 bits.
func (m *sixBits) staticA(t *target) {
	m.uint(5, 6)
	m.uint(0, 2)
	m.uint(int64(t.mmsi), 30)
	m.uint(0, 2)
	m.uint(0, 30) // no IMO number
	m.text(t.callsign, 7)
	m.text(t.name, 20)
	m.uint(int64(t.kind), 8)
	m.hull(t)
	m.uint(1, 4)   // position by GPS
	m.uint(0, 4+5) // no time of arrival
	m.uint(24, 5)
	m.uint(60, 6)
	m.uint(int64(math.Round(t.draught*10)), 8)
	m.text(t.dest, 20)
	m.uint(0, 2)
}

// staticB is part A (0) or B (1) of message 24, 168 bits.
func (m *sixBits) staticB(t *target, part int) {
	m.uint(24, 6)
	m.uint(0, 2)
	m.uint(int64(t.mmsi), 30)
	m.uint(int64(part), 2)
	if part == 0 {
		m.text(t.name, 20)
		m.uint(0, 8)
		return
	}
	m.uint(int64(t.kind), 8)
	m.text("GAN", 3)
	m.uint(0, 4)
	m.uint(int64(t.mmsi%1000), 20)
	m.text(t.callsign, 7)
	m.hull(t)
	m.uint(0, 6)
}

// hull is how far bow, stern, port and starboard are from the receiver, in whole metres: it is amidships.
func (m *sixBits) hull(t *target) {
	length, beam := int64(math.Round(t.length)), int64(math.Round(t.beam))
	m.uint(length/2, 9)
	m.uint(length-length/2, 9)
	m.uint(beam/2, 6)
	m.uint(beam-beam/2, 6)
}

// sentences gives the fields of each sentence that the message takes. sequence separates messages of several
// sentences.
func (m *sixBits) sentences(own bool, sequence int) []string {
	channel := "A"
	if own {
		channel = ""
	}
	total := (len(m.symbols) + maxPayload - 1) / maxPayload
	var all []string
	for i := range total {
		part := m.symbols[i*maxPayload : min((i+1)*maxPayload, len(m.symbols))]
		fill, id := 0, ""
		if i == total-1 {
			fill = len(m.symbols)*6 - m.n
		}
		if total > 1 {
			id = fmt.Sprint(sequence % 10)
		}
		all = append(all, fmt.Sprintf("%d,%d,%s,%s,%s,%d", total, i+1, id, channel, armour(part), fill))
	}
	return all
}

// armour writes symbols of six bits as characters.
func armour(symbols []byte) []byte {
	text := make([]byte, len(symbols))
	for i, c := range symbols {
		if text[i] = c + 48; text[i] > 87 {
			text[i] += 8
		}
	}
	return text
}
