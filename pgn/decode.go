package pgn

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// Decode reads a payload into dst[:0], one Value per field and repeat in the order of the layout, reserved fields included. It does not
// allocate when dst has room. Text aliases p. A payload shorter than the layout is an older edition: its last fields are Missing.
// A longer one is accepted, the rest is not looked at. The error tells of a damaged string; the values before it stand, the rest is Missing.
// A message without a known layout gives no values.
func (d *Definition) Decode(p []byte, dst []Value) ([]Value, error) {
	dst = dst[:0]
	d = d.For(p)
	if d == nil {
		return dst, nil
	}
	if d.fixed && len(p) >= 8 {
		return d.decodeFixed(p, dst), nil
	}
	return d.decodeAny(p, dst)
}

// decodeFixed is the fast path of decodeAny for layouts in which every field has a fixed place. p has at least 8 bytes.
func (d *Definition) decodeFixed(p []byte, dst []Value) []Value {
	tail := len(p) - 8
	bits := len(p) * 8
	for i := range d.Fields {
		f := &d.Fields[i]
		dst = append(dst, Value{Field: f})
		v := &dst[len(dst)-1]
		switch {
		case f.Bit+f.Width > bits:
			v.Number, v.State = nan, Missing
		case f.Width > 64:
			v.setText(p[f.byteAt : f.byteAt+f.Width/8])
		case f.byteAt <= tail:
			v.set(f, binary.LittleEndian.Uint64(p[f.byteAt:])>>f.shift&f.mask)
		default:
			v.set(f, binary.LittleEndian.Uint64(p[tail:])>>(uint(f.byteAt-tail)*8+f.shift)&f.mask)
		}
		if f.Type == Text && f.Width <= 64 && v.State != Missing {
			v.setText(p[f.byteAt : f.byteAt+f.Width/8])
		}
	}
	return dst
}

func (d *Definition) decodeAny(p []byte, dst []Value) ([]Value, error) {
	c := cursor{d: d, p: p}
	for {
		dst = append(dst, Value{})
		if !c.next(&dst[len(dst)-1]) {
			return dst[:len(dst)-1], c.err
		}
	}
}

// cursor walks through the fields of any layout.
type cursor struct {
	d      *Definition
	p      []byte
	bit    int // where the next field starts
	index  int // of the next field
	repeat int // of the next field, within its group
	times  int // repeats of the group that the next field is in
	count  [4]int
	target *Definition // group function: the message it is about
	pgn    uint32
	number int // group function: the field whose value comes next
	err    error
}

// next decodes one field. It is false behind the last one.
func (c *cursor) next(v *Value) bool {
	var f *Field
	for {
		if c.index >= len(c.d.Fields) {
			return false
		}
		f = &c.d.Fields[c.index]
		if f.Group == 0 {
			break
		}
		g := &c.d.groups[f.Group-1]
		if c.index != g.first {
			break
		}
		if c.repeat == 0 {
			c.times = c.timesOf(g, f.Group)
		}
		if c.repeat < c.times && c.bit < len(c.p)*8 {
			break
		}
		c.index, c.repeat = g.last+1, 0
		if c.bit&7 != 0 {
			c.bit = c.bit&^7 + 8
		}
	}
	*v = Value{Field: f, Repeat: uint16(c.repeat)}
	c.read(f, v)
	c.index++
	if f.Group != 0 && c.index > c.d.groups[f.Group-1].last {
		c.index = c.d.groups[f.Group-1].first
		c.repeat++
	}
	return true
}

func (c *cursor) timesOf(g *group, number int) int {
	switch g.kind {
	case groupFixed:
		return g.count
	case groupCounted:
		return c.count[number]
	case groupToEnd:
		return math.MaxInt
	case groupProprietary:
		if Proprietary(c.pgn) {
			return 1
		}
	}
	return 0
}

// read decodes the field f at c.bit into v and moves on.
func (c *cursor) read(f *Field, v *Value) {
	left := len(c.p)*8 - c.bit
	switch f.Type {
	case String:
		c.readString(f, v)
		return
	case Raw:
		if left < 8 {
			c.miss(v)
			return
		}
		v.Text, v.Number = c.p[(c.bit+7)>>3:], nan
		c.bit = len(c.p) * 8
		return
	case Parameter:
		c.readParameter(v)
		return
	}
	if left < f.Width {
		c.miss(v)
		return
	}
	if f.Type == Text {
		v.setText(c.p[c.bit>>3 : (c.bit+f.Width)>>3])
		c.bit += f.Width
		return
	}
	raw := readBits(c.p, c.bit, f.mask)
	v.set(f, raw)
	c.bit += f.Width
	switch {
	case f.Role == RoleCount:
		c.counted(f, v)
	case f.part == partTarget:
		c.pgn = uint32(raw)
		c.target = Lookup(c.pgn)
	case f.part == partNumber:
		c.number = int(raw)
	}
}

// counted keeps the number of repeats of the group that f counts.
func (c *cursor) counted(f *Field, v *Value) {
	if v.State != Available {
		return
	}
	for i := range c.d.groups {
		if g := &c.d.groups[i]; g.kind == groupCounted && g.count == f.index {
			c.count[i+1] = int(v.Raw)
		}
	}
}

// miss marks v as missing, and with it everything behind it.
func (c *cursor) miss(v *Value) {
	v.Number, v.State = nan, Missing
	c.bit = len(c.p) * 8
}

var (
	errStringLength = errors.New("length runs past the end of the message or is below 2")
	errStringType   = errors.New("text type is neither 0 (UTF-16) nor 1 (ASCII)")
)

func (c *cursor) readString(f *Field, v *Value) {
	at := (c.bit + 7) >> 3
	if at >= len(c.p) {
		c.miss(v)
		return
	}
	rest := c.p[at:]
	n := int(rest[0])
	var err error
	switch {
	case n < 2 || n > len(rest):
		err = errStringLength
	case rest[1] > 1:
		err = errStringType
	default:
		v.setString(rest[2:n], rest[1])
		c.bit = (at + n) * 8
		return
	}
	// The sources disagree about this one: gpsd 3.22 reads plain characters here, the open device stack a variable string.
	if c.d.PGN == 129802 {
		v.setText(rest)
		v.Raw = textASCII
		c.bit = len(c.p) * 8
		return
	}
	if c.err == nil {
		c.err = fmt.Errorf("pgn: decode %d: field %s at byte %d: %w", c.d.PGN, f.Key, at, err)
	}
	c.miss(v)
}

// readParameter reads a value in the encoding of the target's field. When the field is not known, neither is the value's length: the rest
// of the payload becomes its Text.
func (c *cursor) readParameter(v *Value) {
	if c.bit >= len(c.p)*8 {
		c.miss(v)
		return
	}
	of := c.target.ByNumber(c.number)
	if of == nil || of.Type == Raw || of.Type == Parameter {
		v.Text, v.Number = c.p[c.bit>>3:], nan
		c.bit = len(c.p) * 8
		return
	}
	v.Of = of
	c.readAs(of, v)
}

// readAs reads a value that is rounded up to whole bytes.
func (c *cursor) readAs(of *Field, v *Value) {
	width := (of.Width + 7) &^ 7
	switch {
	case of.Type == String:
		c.readString(of, v)
		return
	case len(c.p)*8-c.bit < width:
		c.miss(v)
		return
	case of.Type == Text:
		v.setText(c.p[c.bit>>3 : c.bit>>3+of.Width/8])
	default:
		v.set(of, readBits(c.p, c.bit, of.mask))
	}
	c.bit += width
}

// readBits reads up to 64 bits at any bit; they lie within p, and a run of more than 57 starts on a byte.
func readBits(p []byte, bit int, mask uint64) uint64 {
	at := bit >> 3
	if n := len(p) - 8; n >= 0 {
		from := min(at, n)
		return binary.LittleEndian.Uint64(p[from:]) >> uint(bit-from*8) & mask
	}
	var raw uint64
	for i, b := range p {
		raw |= uint64(b) << (8 * i)
	}
	return raw >> uint(bit) & mask
}
