package pgn

import "encoding/binary"

// step is what decoding one field at a fixed place needs, packed together: a Field spreads over several cache lines.
type step struct {
	field   *Field
	mask    uint64
	max     uint64 // "not available"
	absent  uint64 // a further raw value for it
	mul     float64
	div     float64
	origin  float64
	end     uint32 // first byte behind the field
	at      uint16 // first byte
	repeat  uint16
	special uint8 // how many codes from max downwards are no values
	shift   uint8 // first bit within the byte
	width   uint8 // bits, of all but texts
	extend  uint8 // shift that puts the sign on top, 0 for unsigned
	kind    stepKind
}

type stepKind uint8

const (
	stepNumber stepKind = iota
	stepWhole           // the raw value is the number: no scale, no origin
	stepText
	stepReserved
	stepHuge // unsigned of 64 bits
)

// plan holds the fixed places of a layout: the fields before the first one that moves, and the group after them if
// that is a run of fixed places as well.
type plan struct {
	steps []step
	next  int // index of the first field that is not in steps
	bytes int // length of steps in bytes; only good if next > 0
	group []step
	size  int // bytes of one repeat of group, 0 when the rest needs a cursor

	steering []int // indexes of the steps that later fields depend on
	repeats  bool  // steps hold a group that repeats a fixed number of times
}

func (f *Field) step(bit, repeat int) step {
	s := step{
		field: f, mask: f.mask, max: f.max, absent: f.absent, mul: f.mul, div: f.div, origin: f.Origin,
		at: uint16(bit >> 3), end: uint32((bit + f.Width + 7) >> 3), repeat: uint16(repeat),
		special: uint8(f.special), shift: uint8(bit & 7), width: uint8(f.Width),
	}
	switch {
	case f.Type == Text:
		s.kind = stepText
	case f.Role == RoleReserved:
		s.kind = stepReserved
	case f.Width == 64 && f.Type != Signed:
		s.kind = stepHuge
	case f.mul == 1 && f.div == 1 && f.Origin == 0:
		s.kind = stepWhole
	}
	if f.Type == Signed {
		s.extend = uint8(64 - f.Width)
	}
	return s
}

// makePlan lays out the fixed places.
func (d *Definition) makePlan() {
	p := &d.plan
	bit := 0
	for p.next < len(d.Fields) {
		f := &d.Fields[p.next]
		if f.Group == 0 {
			if f.Width == 0 {
				break
			}
			if f.steers() {
				p.steering = append(p.steering, len(p.steps))
			}
			p.steps = append(p.steps, f.step(bit, 0))
			bit += f.Width
			p.next++
			continue
		}
		g := &d.groups[f.Group-1]
		if g.kind != groupFixed {
			break
		}
		p.repeats = true
		for r := range g.count {
			for i := g.first; i <= g.last; i++ {
				p.steps = append(p.steps, d.Fields[i].step(bit, r))
				bit += d.Fields[i].Width
			}
		}
		p.next = g.last + 1
	}
	p.bytes = bit / 8
	if p.next == len(d.Fields) || bit%8 != 0 {
		return
	}
	f := &d.Fields[p.next]
	if f.Group == 0 {
		return
	}
	g := &d.groups[f.Group-1]
	if g.last != len(d.Fields)-1 || g.kind == groupProprietary {
		return
	}
	bit = 0
	for i := g.first; i <= g.last; i++ {
		if d.Fields[i].Width == 0 {
			return
		}
		bit += d.Fields[i].Width
	}
	if bit%8 != 0 {
		return
	}
	p.size = bit / 8
	bit = 0
	for i := g.first; i <= g.last; i++ {
		p.group = append(p.group, d.Fields[i].step(bit, 0))
		bit += d.Fields[i].Width
	}
}

// run decodes the steps, which start at the byte base. All of them lie within p.
func run(steps []step, p []byte, base, repeat int, dst []Value) {
	tail := len(p) - 8
	var word uint64 // all of p if that is less than 8 bytes
	if tail < 0 {
		for i, b := range p {
			word |= uint64(b) << (8 * i)
		}
	}
	dst = dst[:len(steps)]
	for i := range steps {
		s := &steps[i]
		v := &dst[i]
		*v = Value{Field: s.field, Repeat: s.repeat + uint16(repeat)}
		at := base + int(s.at)
		if s.kind == stepText {
			v.setText(p[at : base+int(s.end)])
			continue
		}
		raw := word
		if tail >= 0 {
			from := min(at, tail)
			raw = binary.LittleEndian.Uint64(p[from:])
			at -= from
		}
		raw = raw >> ((uint(at)*8 + uint(s.shift)) & 63) & s.mask
		n := int64(raw<<(s.extend&63)) >> (s.extend & 63)
		v.Raw = n
		if k := s.max - raw; k < uint64(s.special) {
			v.Number, v.State = nan, NotAvailable+State(k)
			continue
		}
		if raw == s.absent || s.kind == stepReserved {
			v.Number, v.State = nan, NotAvailable
			continue
		}
		switch s.kind { // a division takes as long as all the rest
		case stepWhole:
			v.Number = float64(n)
		case stepHuge:
			v.Number = float64(raw)
		default:
			v.Number = float64(n)/s.div*s.mul + s.origin
		}
	}
}

// fits reports how many of the steps lie within n bytes.
func fits(steps []step, n int) int {
	k := len(steps)
	for k > 0 && int(steps[k-1].end) > n {
		k--
	}
	return k
}
