package pgn

import (
	"fmt"
	"time"
)

// Transport is how the payload of a message travels.
type Transport uint8

// The transports. Which one a PGN uses is fixed by its definition, never by its content.
const (
	Single Transport = iota // one frame, at most 8 bytes
	Fast                    // NMEA 2000 fast packet, at most 223 bytes
	ISO                     // ISO 11783-3 transport protocol, 9 to 1785 bytes
)

// String is "single", "fast" or "iso".
func (t Transport) String() string {
	switch t {
	case Single:
		return "single"
	case Fast:
		return "fast"
	case ISO:
		return "iso"
	}
	return fmt.Sprintf("transport(%d)", uint8(t))
}

// MaxLength is the largest payload in bytes: 8, 223 or 1785.
func (t Transport) MaxLength() int {
	switch t {
	case Fast:
		return 223
	case ISO:
		return 1785
	}
	return 8
}

// Definition describes one message, or one range of proprietary messages. Definitions are shared: do not change them.
// All methods may be called on nil, which represents an unknown message.
type Definition struct {
	PGN       uint32
	Last      uint32 // last PGN of a proprietary range; equal to PGN otherwise
	Title     string
	Transport Transport
	Length    int           // bytes of the current edition; 0 when it varies or is not confirmed
	Priority  uint8         // default, 0 (highest) to 7; settable by group function, so a difference is no fault
	Interval  time.Duration // default; 0 when the message is not cyclic
	When      string        // "cyclic", "on request", "on event", ...
	Fields    []Field       // empty when the layout is not confirmed
	Note      string        // disagreements between the sources
	Source    string        // where the row comes from

	instance, selector place
	groups             []group
	variants           []*Definition // group function only: layouts by its first byte; the last one represents the rest
	plan               plan
	checks             []*Field // the data fields at fixed places, for Available
	quick              quick
	rest               int  // first byte of a Raw field, which then is the only data; 0 for none
	slow               bool // Available must also check strings and repeating groups
}

// Type is the encoding of a field.
type Type uint8

// The encodings. All numbers are little endian; bit 0 of a field is its least significant.
const (
	Unsigned  Type = iota
	Signed         // two's complement
	Enum           // a code, see Field.Table
	Bits           // flags; one bit wide, or a set whose bit names are in Field.Table
	Date           // days since 1970-01-01
	Time           // time of day in s; a leap second may give 86400 and more
	Text           // fixed width ASCII
	String         // variable string with a length byte and a type byte, ASCII or UTF-16
	Raw            // the rest of the payload, without meaning to us
	Reserved       // to be sent as all ones, to be ignored
	Spare          // like Reserved
	Parameter      // a value of the group function in the encoding of another message's field
)

var typeNames = [...]string{"unsigned", "signed", "enum", "bits", "date", "time", "text", "string", "raw", "reserved", "spare", "parameter"}

// String is the type's name in lower case.
func (t Type) String() string {
	if int(t) < len(typeNames) {
		return typeNames[t]
	}
	return fmt.Sprintf("type(%d)", uint8(t))
}

// Role is what a field is for.
type Role uint8

// The roles.
const (
	RoleData     Role = iota // a value of use to people
	RoleSID                  // sequence id or counter, 0 to 252
	RoleInstance             // the data instance
	RoleSelector             // which quantity or how it was found: source, reference, mode, identity
	RoleCount                // number of repeats of a group
	RoleReserved             // no information
)

var roleNames = [...]string{"data", "sid", "instance", "selector", "count", "reserved"}

// String is the role's name in lower case.
func (r Role) String() string {
	if int(r) < len(roleNames) {
		return roleNames[r]
	}
	return fmt.Sprintf("role(%d)", uint8(r))
}

// Field describes one field of a message. Value = raw × Resolution + Origin in Unit.
type Field struct {
	Key        string // short and stable, unique in the message: "wind_speed"
	Name       string // as published
	Number     int    // from 1, as the group function counts; a repeated field continues the count
	Bit        int    // first bit in the payload (of the first repeat); -1 behind a part of variable length
	Width      int    // bits; 0 when variable
	Type       Type
	Role       Role
	Resolution float64
	Origin     float64
	Unit       string // SI: "rad", "K", "Pa", "m/s", ... ; empty for a bare number
	Table      string // name of the code table, see Table; empty when there is none
	Group      int    // number of the repeating group, 0 for none
	Note       string
	Source     string

	index    int
	byteAt   int    // Bit/8
	shift    uint   // Bit%8
	mask     uint64 // Width ones
	max      uint64 // "not available"; one below is "out of range", two below "reserved"
	special  uint64 // how many of the three exist
	absent   uint64 // one more raw value that means not available; one that cannot be if there is none
	fill     uint64 // what Build sends when nothing is given
	mul, div float64
	part     part
}

// part marks the fields that steer the decoding of others.
type part uint8

const (
	partNone   part = iota
	partTarget      // group function: the PGN it is about
	partNumber      // group function: number of the field whose value follows
)

// String is the field's key.
func (f *Field) String() string { return f.Key }

// quick is the place of a data field in the first eight bytes that shows at once whether most messages carry a value.
type quick struct {
	mask    uint64 // 0: there is none
	max     uint64 // these as in a Field
	special uint64
	absent  uint64
	shift   uint8
}

// place is a run of bits.
type place struct {
	bit, width int
}

// group is a run of fields that repeats.
type group struct {
	first, last int // indexes of fields
	kind        groupKind
	count       int // repeats if groupFixed, index of the counting field if groupCounted
}

type groupKind uint8

const (
	groupFixed       groupKind = iota // a fixed number of times
	groupCounted                      // as often as a field before it gives
	groupToEnd                        // until the payload ends
	groupProprietary                  // once if the target PGN is proprietary, otherwise never
)

// Lookup finds the definition of a PGN, of a range for the proprietary ones. It is nil for an unknown PGN.
func Lookup(pgn uint32) *Definition {
	if pgn>>8 >= uint32(len(set.page)) {
		return nil
	}
	return set.entry[set.page[pgn>>8]][pgn&0xFF]
}

// All returns the definitions sorted by PGN. The slice is the caller's, the definitions are shared.
func All() []*Definition {
	all := make([]*Definition, len(set.all))
	for i := range set.all {
		all[i] = &set.all[i]
	}
	return all
}

// TransportOf is the transport of any PGN. An undefined PGN counts as Single: 0x1F000 to 0x1FEFF mixes both kinds,
// and assembling what is not a fast packet would invent messages.
func TransportOf(pgn uint32) Transport {
	if d := Lookup(pgn); d != nil {
		return d.Transport
	}
	return Single
}

// Proprietary reports whether the manufacturer defines the content: 61184, 65280 to 65535, 126720 and 130816 to 131071 (NMEA public list).
func Proprietary(pgn uint32) bool {
	return pgn == 61184 || pgn == 126720 || pgn-65280 < 256 || pgn-130816 < 256
}

// For selects the layout for a payload. Only the group function 126208 has more than one; it is selected by the first byte.
func (d *Definition) For(p []byte) *Definition {
	if d == nil || len(d.variants) == 0 || len(p) == 0 {
		return d
	}
	return d.variant(uint64(p[0]))
}

func (d *Definition) variant(code uint64) *Definition {
	if len(d.variants) == 0 {
		return d
	}
	return d.variants[min(code, uint64(len(d.variants)-1))]
}

// Field finds a field by key. "instance" finds the data instance by whatever name. It is nil if there is none.
func (d *Definition) Field(key string) *Field {
	if d == nil {
		return nil
	}
	for i := range d.Fields {
		if d.Fields[i].Key == key {
			return &d.Fields[i]
		}
	}
	if key == "instance" {
		for i := range d.Fields {
			if d.Fields[i].Role == RoleInstance {
				return &d.Fields[i]
			}
		}
	}
	return nil
}

// ByNumber finds a field by the group function's count, which goes on through the repeats. It is nil if there is none.
func (d *Definition) ByNumber(n int) *Field {
	if d == nil || n < 1 {
		return nil
	}
	i := n - 1
	for _, g := range d.groups {
		size := g.last - g.first + 1
		if i < g.first {
			break
		}
		if g.kind == groupFixed && i >= g.first+size*g.count {
			i -= size * (g.count - 1)
			continue
		}
		if g.kind != groupProprietary {
			i = g.first + (i-g.first)%size
			break
		}
	}
	if i >= len(d.Fields) {
		return nil
	}
	return &d.Fields[i]
}
