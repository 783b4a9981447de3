package pgn

import (
	"errors"
	"fmt"
	"math"
)

// Build appends a payload from the values that set gives, asked for each field and repeat in order: a number in the
// field's unit (a code for an Enum), or a text for a Text, a String or the name of an Enum's code; ok is false for "not
// available". Reserved fields are ones, and so is the rest of a payload of fixed length. A group repeats as long as set
// gives at least one of its fields; its counting field is filled in unless set gives it. Build does not allocate when
// dst has room and set does not.
func (d *Definition) Build(dst []byte, set func(f *Field, repeat int) (number float64, text string, ok bool)) ([]byte, error) {
	if d == nil || len(d.Fields) == 0 {
		return dst, errors.New("pgn: build: layout not known")
	}
	if len(d.variants) > 0 {
		code, text, ok := set(&d.Fields[0], 0)
		if n, err := d.Fields[0].encode(code, text, ok); err == nil {
			d = d.variant(n)
		}
	}
	b := builder{d: d, w: writer{dst: dst}, set: set, limit: len(dst) + d.Transport.MaxLength()}
	for i := 0; i < len(d.Fields); {
		f := &d.Fields[i]
		if f.Group == 0 {
			if _, err := b.field(f, 0); err != nil {
				return dst, err
			}
			i++
			continue
		}
		g := &d.groups[f.Group-1]
		if err := b.group(g); err != nil {
			return dst, err
		}
		i = g.last + 1
	}
	b.w.align()
	length := d.Length
	if length == 0 && d.Transport == Single {
		length = 8
	}
	for len(b.w.dst)-len(dst) < length {
		b.w.dst = append(b.w.dst, 0xFF)
	}
	return d.finish(&b.w, len(dst))
}

type builder struct {
	d      *Definition
	w      writer
	set    func(f *Field, repeat int) (float64, string, bool)
	limit  int
	counts [4]count
	target *Definition
	pgn    uint32
	number int
}

// count remembers where a counting field went, so that the count can be filled in afterwards.
type count struct {
	at, width int
	given     bool
	n         int
}

func (b *builder) group(g *group) error {
	index := 0
	for i := range b.d.groups {
		if &b.d.groups[i] == g {
			index = i
		}
	}
	times := math.MaxInt
	switch g.kind {
	case groupFixed:
		times = g.count
	case groupProprietary:
		times = 0
		if Proprietary(b.pgn) {
			times = 1
		}
	}
	n := 0
	for ; n < times && len(b.w.dst) <= b.limit; n++ {
		before := b.w
		any := false
		for i := g.first; i <= g.last; i++ {
			ok, err := b.field(&b.d.Fields[i], n)
			if err != nil {
				return err
			}
			any = any || ok
		}
		if !any && times == math.MaxInt && !(b.counts[index].given && n < b.counts[index].n) {
			b.w = before
			break
		}
	}
	b.w.align()
	if c := b.counts[index]; g.kind == groupCounted && !c.given {
		if n >= 1<<c.width-3 {
			return fmt.Errorf("pgn: build %d: %d repeats: %w", b.d.PGN, n, ErrTooLong)
		}
		for k := range c.width / 8 {
			b.w.dst[c.at+k] = byte(n >> (8 * k))
		}
	}
	return nil
}

// field writes one field and reports whether it was given.
func (b *builder) field(f *Field, repeat int) (given bool, err error) {
	if f.Role == RoleReserved {
		b.w.bits(f.fill, f.Width)
		return false, nil
	}
	number, text, ok := b.set(f, repeat)
	width := f.Width
	as := f
	if f.Type == Parameter {
		if as = b.target.ByNumber(b.number); as == nil {
			as = f
		} else {
			width = (as.Width + 7) &^ 7
		}
	}
	if f.Role == RoleSID && !ok {
		number, ok = float64(f.max), false
	}
	switch as.Type {
	case Text:
		if !ok {
			text = ""
		}
		b.w.align()
		b.w.dst, err = appendText(b.w.dst, text, width/8)
	case String:
		if !ok {
			text = ""
		}
		b.w.align()
		b.w.dst, err = appendString(b.w.dst, text)
	case Raw, Parameter:
		b.w.align()
		if ok {
			b.w.dst = append(b.w.dst, text...)
		}
	default:
		var raw uint64
		if raw, err = as.encode(number, text, ok); err == nil {
			b.note(f, raw, width, ok)
			b.w.bits(raw, width)
		}
	}
	if err != nil {
		return false, fmt.Errorf("pgn: build %d: field %s: %w", b.d.PGN, f.Key, err)
	}
	return ok, nil
}

// note keeps what later fields depend on.
func (b *builder) note(f *Field, raw uint64, width int, given bool) {
	switch {
	case f.Role == RoleCount:
		b.w.align()
		for i := range b.d.groups {
			if g := &b.d.groups[i]; g.kind == groupCounted && g.count == f.index {
				b.counts[i] = count{at: len(b.w.dst), width: width, given: given, n: int(raw)}
			}
		}
	case f.part == partTarget:
		b.pgn = uint32(raw)
		b.target = Lookup(b.pgn)
	case f.part == partNumber:
		b.number = int(raw)
	}
}

// encode is the raw value of a number or the name of a code.
func (f *Field) encode(number float64, text string, ok bool) (uint64, error) {
	if !ok || text == "" && math.IsNaN(number) {
		return f.fill, nil
	}
	if text != "" {
		code, found := codeOf(f.Table, text)
		if !found {
			return 0, fmt.Errorf("%q is not in the table %q", text, f.Table)
		}
		number = float64(code)
	}
	raw := math.Round((number - f.Origin) * f.div / f.mul)
	lo, hi := 0.0, float64(f.max-f.special)
	if f.Type == Signed {
		lo = -float64(f.max) - 1
	}
	if !(raw >= lo && raw <= hi) { // also for NaN and the infinities
		return 0, fmt.Errorf("%g is outside %g to %g", number, lo*f.mul/f.div+f.Origin, hi*f.mul/f.div+f.Origin)
	}
	if raw < 0 {
		return uint64(int64(raw)) & f.mask, nil
	}
	if raw >= 1<<63 && f.Type == Signed { // float64(max) rounds up to 2^63
		return f.max - f.special, nil
	}
	if raw >= 1<<64 {
		return f.max - f.special, nil
	}
	return uint64(raw), nil
}
