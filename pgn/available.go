package pgn

import "encoding/binary"

// Instance is the data instance in the payload. ok is false when the message has none, or it is "not available" or cut off.
// For 127505 it is unique only together with the fluid type, for 130312 to 130316 with the source: see Selector.
func (d *Definition) Instance(p []byte) (n uint8, ok bool) {
	if d == nil {
		return 0, false
	}
	return d.instance.read(p)
}

// Selector is the code of the quantity that an instance is about: the fluid type of 127505, the source of 130312 to
// 130316. ok is false for all other messages.
func (d *Definition) Selector(p []byte) (code uint8, ok bool) {
	if d == nil {
		return 0, false
	}
	return d.selector.read(p)
}

// read is false for all ones.
func (l place) read(p []byte) (uint8, bool) {
	if l.width == 0 || l.bit>>3 >= len(p) {
		return 0, false
	}
	mask := uint8(1<<l.width - 1)
	n := p[l.bit>>3] >> (l.bit & 7) & mask
	return n, n != mask
}

// Available reports whether any data field carries a value. Sequence ids, instances, counts, reserved bits and selectors such as source
// and reference do not count. Where the layout is not known, any byte besides the instance that is not FF counts.
func (d *Definition) Available(p []byte) bool {
	if d != nil && d.quick.mask != 0 && len(p) >= 8 {
		q := &d.quick
		if raw := binary.LittleEndian.Uint64(p) >> (q.shift & 63) & q.mask; q.max-raw >= q.special && raw != q.absent {
			return true
		}
	}
	return d.availableAny(p)
}

// availableAny checks the fields one by one.
func (d *Definition) availableAny(p []byte) bool {
	d = d.For(p)
	if d == nil || len(d.Fields) == 0 {
		return d.anyByte(p)
	}
	bits := len(p) * 8
	for _, f := range d.checks {
		if f.Bit+f.Width > bits {
			break
		}
		if f.Type == Text {
			if textLength(p[f.byteAt:f.byteAt+f.Width/8]) > 0 {
				return true
			}
			continue
		}
		raw := readBits(p, f.Bit, f.mask)
		if f.max-raw >= f.special && raw != f.absent {
			return true
		}
	}
	if d.rest > 0 {
		return len(p) > d.rest && !allOnes(p[d.rest:])
	}
	return d.slow && d.availableBehind(p)
}

// availableBehind checks all fields, also the strings and the repeats.
func (d *Definition) availableBehind(p []byte) bool {
	c := cursor{d: d, p: p}
	var v Value
	for c.next(&v) {
		if v.Field.Role == RoleData && v.State == Available && !(v.Field.Type == Raw && allOnes(v.Text)) {
			return true
		}
	}
	return false
}

func (d *Definition) anyByte(p []byte) bool {
	skip := -1
	if d != nil && d.instance.width == 8 {
		skip = d.instance.bit >> 3
	}
	for i, b := range p {
		if b != 0xFF && i != skip {
			return true
		}
	}
	return false
}

func allOnes(p []byte) bool {
	for _, b := range p {
		if b != 0xFF {
			return false
		}
	}
	return true
}
