package nmea0183

import (
	"strings"
	"time"

	"muster/internal/event"
)

// AIS is one AIS message: what identifies its sender, and the static data that types 5 and 24 carry.
type AIS struct {
	Own      bool // a VDO sentence: the message is of our own transponder
	Channel  byte // 'A' or 'B', 0 when not given
	Type     uint8
	MMSI     uint32
	Name     SixBitText // types 5 and 24 part A
	CallSign SixBitText // types 5 and 24 part B
	ShipType uint8      // types 5 and 24 part B; 0 is not available
	Bits     int        // length of the message
}

// SixBitText is a text of AIS's alphabet without the fill at its end, padded with zero bytes. An empty one was not
// available.
type SixBitText [20]byte

// String is the text.
func (t SixBitText) String() string { return strings.TrimRight(string(t[:]), "\x00") }

// Is reports whether the text is s, without making a string.
func (t *SixBitText) Is(s string) bool {
	return len(s) <= len(t) && string(t[:len(s)]) == s && (len(s) == len(t) || t[len(s)] == 0)
}

// Limits of a message in several parts.
const (
	joinTimeout  = 4 * time.Second // from the first part to the last (from memory)
	joinGroups   = 16              // unfinished messages kept at a time
	maxAISParts  = 9               // gpsd AIVDM page
	maxAISSymbol = maxAISParts * 64
)

// Joiner puts AIS messages together from the VDM and VDO sentences of one source. The zero value is ready. It holds at
// most sixteen unfinished messages and allocates nothing.
type Joiner struct {
	Lost   uint64 // unfinished messages given up: a part missing or too late, or too many at a time
	groups [joinGroups]group
}

// group is an unfinished message.
type group struct {
	key   groupKey
	begun event.Time
	next  byte // number of the part awaited; 0 when the group is free
	n     int
	text  [maxAISSymbol]byte
}

// groupKey is what all parts of a message have in common.
type groupKey struct {
	address  Address
	source   [15]byte // of the tag block
	total    byte
	sequence byte
	channel  byte
}

// aisPart is a sentence's place in its message.
type aisPart struct{ total, number, fill int }

// aisPartOf reads the place of s. Nothing but an unspoilt VDM or VDO sentence has one; the error is ReasonValue when
// such a one cannot be read.
func aisPartOf(s *Sentence) (aisPart, error) {
	formatter := string(s.Formatter())
	if s.Start != '!' || s.Checksum == ChecksumBad || formatter != "VDM" && formatter != "VDO" {
		return aisPart{}, nil
	}
	p := aisPart{digit(s.Field(0)), digit(s.Field(1)), digit(s.Field(5))}
	if p.total < 1 || p.number < 1 || p.number > p.total || s.Has(5) && (p.fill < 0 || p.fill > 5) {
		return aisPart{}, ReasonValue
	}
	p.fill = max(p.fill, 0) // some leave it out
	return p, nil
}

// Add reads s at event time t. It reports whether s completes a message, which is then in m; s may be of any type.
// ReasonValue means that the sentence is not what VDM should be; ReasonParts that it continues a message whose earlier
// part is missing.
func (j *Joiner) Add(s *Sentence, t event.Time, m *AIS) (done bool, err error) {
	p, err := aisPartOf(s)
	if err != nil || p.total == 0 {
		return false, err
	}
	payload := s.Field(4)
	if p.total == 1 {
		return m.decode(payload, p.fill, s)
	}
	key := groupKey{address: s.Address, total: byte(p.total)}
	key.sequence, key.channel = first(s.Field(2)), first(s.Field(3))
	if source, ok := s.Tag('s'); ok {
		copy(key.source[:], source)
	}
	g := j.group(key, t, p.number == 1)
	if g == nil || int(g.next) != p.number || g.n+len(payload) > len(g.text) {
		if g != nil {
			g.next = 0
			j.Lost++
		}
		return false, ReasonParts
	}
	g.n += copy(g.text[g.n:], payload)
	g.next++
	if p.number < p.total {
		return false, nil
	}
	g.next = 0
	return m.decode(g.text[:g.n], p.fill, s)
}

// Begin reads the part of an AIS message that s alone holds: all of it when it has one part, of several the first,
// which holds the sender and, of type 5, the texts. It is false for a later part and for any other sentence, and then
// changes nothing.
func (m *AIS) Begin(s *Sentence) bool {
	p, err := aisPartOf(s)
	if err != nil || p.number != 1 {
		return false
	}
	ok, _ := m.decode(s.Field(4), p.fill, s)
	return ok
}

// group finds the unfinished message of that key, or makes one. It gives up what is too old, and the oldest when there
// is no room.
func (j *Joiner) group(key groupKey, t event.Time, begin bool) *group {
	var free, oldest *group
	for i := range j.groups {
		g := &j.groups[i]
		if g.next != 0 && t != 0 && (t.Sub(g.begun) > joinTimeout || g.begun.Sub(t) > joinTimeout) {
			g.next = 0
			j.Lost++
		}
		switch {
		case g.next == 0:
			free = g
		case g.key == key:
			if begin { // the rest of the former one never came
				g.next = 0
				j.Lost++
				free = g
				continue
			}
			return g
		case oldest == nil || g.begun < oldest.begun:
			oldest = g
		}
	}
	if !begin {
		return nil
	}
	if free == nil {
		free = oldest
		j.Lost++
	}
	free.key, free.begun, free.next, free.n = key, t, 1, 0
	return free
}

// decode sets all of m from the armoured payload, or nothing.
func (m *AIS) decode(payload []byte, fill int, s *Sentence) (bool, error) {
	for _, c := range payload {
		if c < '0' || c > 'w' || c > 'W' && c < '`' {
			return false, ReasonValue
		}
	}
	p := armour{payload, len(payload)*6 - fill}
	if p.bits < 38 {
		return false, ReasonValue
	}
	*m = AIS{Own: s.Formatter()[2] == 'O', Type: uint8(p.uint(0, 6)), MMSI: p.uint(8, 30), Bits: p.bits}
	if c := first(s.Field(3)); c == 'A' || c == 'B' {
		m.Channel = c
	}
	// Field places: gpsd AIVDM page.
	switch {
	case m.Type == 5 && p.bits >= 240:
		m.CallSign = p.text(70, 7)
		m.Name = p.text(112, 20)
		m.ShipType = uint8(p.uint(232, 8))
	case m.Type == 24 && p.bits >= 160 && p.uint(38, 2) == 0:
		m.Name = p.text(40, 20)
	case m.Type == 24 && p.bits >= 132 && p.uint(38, 2) == 1:
		m.ShipType = uint8(p.uint(40, 8))
		m.CallSign = p.text(90, 7)
	}
	return true, nil
}

// armour is a payload of six bits a character.
type armour struct {
	payload []byte
	bits    int
}

func (p armour) symbol(i int) byte {
	c := p.payload[i] - '0'
	if c > 40 {
		c -= 8
	}
	return c
}

// uint is the unsigned number of n bits at bit from, most significant bit first. The bits must be there.
func (p armour) uint(from, n int) uint32 {
	var v uint32
	for i := from; i < from+n; i++ {
		v = v<<1 | uint32(p.symbol(i/6)>>(5-i%6)&1)
	}
	return v
}

// text reads n characters of six bits up to the first '@', without spaces at the end.
func (p armour) text(from, n int) (t SixBitText) {
	end := 0
	for i := range n {
		c := byte(p.uint(from+6*i, 6))
		if c == 0 {
			break
		}
		if c < 32 {
			c += 64
		}
		t[i] = c
		if c != ' ' {
			end = i + 1
		}
	}
	clear(t[end:])
	return t
}

// digit is a field of one digit, or -1.
func digit(b []byte) int {
	if len(b) != 1 || !isDigit(b[0]) {
		return -1
	}
	return int(b[0] - '0')
}

func first(b []byte) byte {
	if len(b) == 0 {
		return 0
	}
	return b[0]
}
