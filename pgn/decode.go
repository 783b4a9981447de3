package pgn

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
)

// Decode reads a payload into dst[:0], one Value per field and repeat in the order of the layout, reserved fields
// included. It does not allocate when dst has room. Text aliases p. A payload shorter than the layout is an older
// edition: its last fields are Missing. A longer one is accepted, the rest is ignored. The error reports a damaged
// string; the values before it hold, the rest is Missing. A message without a known layout gives no values.
func (d *Definition) Decode(p []byte, dst []Value) ([]Value, error) {
	dst = dst[:0]
	d = d.For(p)
	if d == nil {
		return dst, nil
	}
	return d.decodePlanned(p, dst)
}

// decodePlanned is the fast path of decodeAny: first the fields at fixed places, then the repeats of a group of such fields, and a cursor
// for all that moves.
func (d *Definition) decodePlanned(p []byte, dst []Value) ([]Value, error) {
	plan := &d.plan
	n := fits(plan.steps, len(p))
	if n < len(plan.steps) && plan.repeats {
		return d.decodeAny(p, dst)
	}
	dst = slices.Grow(dst, len(plan.steps))[:len(plan.steps)]
	run(plan.steps[:n], p, 0, 0, dst)
	for i := n; i < len(dst); i++ {
		dst[i] = Value{Field: plan.steps[i].field, Number: nan, State: Missing}
	}
	if plan.next == len(d.Fields) {
		return dst, nil
	}
	c := cursor{d: d, p: p, bit: plan.bytes * 8, index: plan.next}
	if n < len(plan.steps) {
		c.bit = len(p) * 8
		return c.rest(dst)
	}
	for _, i := range plan.steering {
		c.steer(&dst[i])
	}
	if plan.size > 0 {
		dst = c.repeats(dst)
	}
	return c.rest(dst)
}

// repeats decodes all repeats that lie within the payload, and leaves the cursor behind them.
func (c *cursor) repeats(dst []Value) []Value {
	plan := &c.d.plan
	number := c.d.Fields[plan.next].Group
	g := &c.d.groups[number-1]
	c.times = c.timesOf(g, number)
	n := min(c.times, (len(c.p)-plan.bytes)/plan.size)
	have := len(dst)
	dst = slices.Grow(dst, n*len(plan.group))[:have+n*len(plan.group)]
	for r := range n {
		run(plan.group, c.p, plan.bytes+r*plan.size, r, dst[have+r*len(plan.group):])
	}
	c.bit += n * plan.size * 8
	c.repeat = n
	return dst
}

func (d *Definition) decodeAny(p []byte, dst []Value) ([]Value, error) {
	c := cursor{d: d, p: p}
	return c.rest(dst)
}

// rest decodes what is left.
func (c *cursor) rest(dst []Value) ([]Value, error) {
	for {
		n := len(dst)
		if n == cap(dst) {
			dst = slices.Grow(dst, 1)
		}
		if !c.next(&dst[:n+1][n]) {
			return dst, c.err
		}
		dst = dst[:n+1]
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
	if f.steers() {
		c.steer(v)
	}
}

// steers reports whether the decoding of later fields depends on f.
func (f *Field) steers() bool { return f.Role == RoleCount || f.part != partNone }

// steer keeps what later fields depend on.
func (c *cursor) steer(v *Value) {
	switch f := v.Field; {
	case f.part == partTarget:
		c.pgn = uint32(v.Raw)
		c.target = Lookup(c.pgn)
	case f.part == partNumber:
		c.number = int(v.Raw)
	case v.State == Available:
		for i := range c.d.groups {
			if g := &c.d.groups[i]; g.kind == groupCounted && g.count == f.index {
				c.count[i+1] = int(v.Raw)
			}
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
