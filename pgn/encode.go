package pgn

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// ErrTooLong is the error, wrapped, of a payload that does not fit the message's transport.
var ErrTooLong = errors.New("payload does not fit the transport")

// Encode appends the payload that the values describe, which have the order that Decode gives: the reverse of Decode. Numbers are taken
// from Raw, texts from Text. It stops at the first Missing value and fills nothing up but the last byte.
// It does not allocate when dst has room.
func (d *Definition) Encode(dst []byte, values []Value) ([]byte, error) {
	if d == nil || len(d.Fields) == 0 {
		return dst, errors.New("pgn: encode: layout not known")
	}
	if len(values) > 0 {
		d = d.variant(uint64(values[0].Raw))
	}
	w := writer{dst: dst}
	return d.encodeFrom(&w, len(dst), d.encodePlanned(&w, values), values)
}

// encodePlanned is the fast path of Encode: it writes the values at fixed places and the repeats of a group of such fields, as far as
// they are in order, and returns how many it wrote.
func (d *Definition) encodePlanned(w *writer, values []Value) int {
	plan := &d.plan
	n := w.write(plan.steps, values, 0, plan.bytes)
	if n < len(plan.steps) || plan.size == 0 {
		return n
	}
	for r := 0; n < len(values); r++ {
		k := w.write(plan.group, values[n:], r, plan.size)
		n += k
		if k < len(plan.group) {
			break
		}
	}
	return n
}

// encodeFrom encodes the values from the i-th on, one by one, behind what w holds of the message that begins at start.
func (d *Definition) encodeFrom(w *writer, start, i int, values []Value) ([]byte, error) {
	dst := w.dst[:start]
	for ; i < len(values); i++ {
		v := &values[i]
		if v.Field == nil || v.Field.index >= len(d.Fields) || v.Field != &d.Fields[v.Field.index] {
			return dst, fmt.Errorf("pgn: encode %d: value %d is not one of its fields", d.PGN, i)
		}
		if v.State == Missing {
			break
		}
		if v.Field.Group != 0 && v.Field.index == d.groups[v.Field.Group-1].first && v.Repeat == 0 || v.Field.Group == 0 {
			if i > 0 && values[i-1].Field.Group != 0 {
				w.align()
			}
			if v.Field.Bit >= 0 && v.Field.Bit != w.bitsSince(start) {
				return dst, fmt.Errorf("pgn: encode %d: field %s is out of order", d.PGN, v.Field.Key)
			}
		}
		if err := w.value(v); err != nil {
			return dst, fmt.Errorf("pgn: encode %d: field %s: %w", d.PGN, v.Field.Key, err)
		}
	}
	return d.finish(w, start)
}

// filling is for fixed width text, the longest of which has 32 bytes.
const filling = "\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF"

// finish checks the length.
func (d *Definition) finish(w *writer, start int) ([]byte, error) {
	w.align()
	if n := len(w.dst) - start; n > d.Transport.MaxLength() {
		return w.dst[:start], fmt.Errorf("pgn: encode %d: %d bytes: %w", d.PGN, n, ErrTooLong)
	}
	return w.dst, nil
}

// writer appends bits, the lowest first.
type writer struct {
	dst  []byte
	acc  uint64 // bits that are not in dst yet
	held uint   // how many
}

func (w *writer) bitsSince(start int) int { return (len(w.dst)-start)*8 + int(w.held) }

// bits appends the lowest width bits of raw.
func (w *writer) bits(raw uint64, width int) {
	if width > 56 {
		w.bits(raw&math.MaxUint32, 32)
		raw, width = raw>>32, width-32
	}
	if w.held+uint(width) > 64 {
		w.flush()
	}
	w.acc |= raw & (1<<width - 1) << w.held
	w.held += uint(width)
}

// flush moves all full bytes to dst.
func (w *writer) flush() {
	n := w.held >> 3
	w.dst = binary.LittleEndian.AppendUint64(w.dst, w.acc)[:len(w.dst)+int(n)]
	w.acc >>= n * 8
	w.held &= 7
}

// align fills the last byte with ones and moves everything to dst.
func (w *writer) align() {
	if n := w.held & 7; n != 0 {
		w.bits(0xFF, 8-int(n))
	}
	w.flush()
}

func (w *writer) value(v *Value) error {
	f := v.Field
	width := f.Width
	if v.Of != nil {
		f = v.Of
		width = (f.Width + 7) &^ 7
	}
	switch f.Type {
	case Text:
		w.align()
		return w.text(v.Text, width/8)
	case String:
		if len(v.Text) > 253 {
			return fmt.Errorf("text of %d bytes does not fit a variable string (253)", len(v.Text))
		}
		w.align()
		w.dst = append(w.dst, byte(len(v.Text)+2), byte(v.Raw))
		w.dst = append(w.dst, v.Text...)
	case Raw, Parameter:
		w.align()
		w.dst = append(w.dst, v.Text...)
	default:
		w.bits(uint64(v.Raw)&f.mask, width)
	}
	return nil
}

func (w *writer) text(p []byte, width int) error {
	if len(p) > width {
		return fmt.Errorf("text of %d bytes does not fit into %d", len(p), width)
	}
	w.dst = append(w.dst, p...)
	w.dst = append(w.dst, filling[:width-len(p)]...)
	return nil
}
