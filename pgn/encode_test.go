package pgn

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
)

// Encode is the reverse of Decode: it appends the payload that the values describe, which have the order that Decode gives. Numbers are
// taken from Raw, texts from Text. It stops at the first Missing value and fills nothing up but the last byte.
func (d *Definition) Encode(dst []byte, values []Value) ([]byte, error) {
	if len(values) > 0 {
		d = d.variant(uint64(values[0].Raw))
	}
	w, start := writer{dst: dst}, len(dst)
	for i := range values {
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
	return d.finish(&w, start)
}

func (w *writer) bitsSince(start int) int { return (len(w.dst)-start)*8 + int(w.held) }

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
	w.dst = append(w.dst, bytes.Repeat([]byte{0xFF}, width-len(p))...)
	return nil
}

// Pack appends a payload from a map of field keys ("instance" represents the instance by whatever name). A value is a number, a bool, a text
// (for an Enum the name of the code), nil for "not available", or a list of those for a field that repeats. A key that the message does
// not have is an error.
func (d *Definition) Pack(dst []byte, fields map[string]any) ([]byte, error) {
	var failed error
	used := make(map[string]bool)
	out, err := d.Build(dst, func(f *Field, repeat int) (float64, string, bool) {
		key := f.Key
		v, ok := fields[key]
		if !ok && f.Role == RoleInstance {
			key = "instance"
			v, ok = fields[key]
		}
		if !ok {
			return 0, "", false
		}
		used[key] = true
		if list, is := v.([]any); is {
			if repeat >= len(list) {
				return 0, "", false
			}
			v = list[repeat]
		} else if repeat > 0 {
			return 0, "", false
		}
		n, s, given, known := scalar(v)
		if !known && failed == nil {
			failed = fmt.Errorf("pgn: pack %d: field %s: %T is neither number nor text", d.PGN, key, v)
		}
		return n, s, given
	})
	if failed != nil {
		return dst, failed
	}
	if err != nil {
		return dst, err
	}
	for _, key := range slices.Sorted(maps.Keys(fields)) {
		if !used[key] {
			return dst, fmt.Errorf("pgn: pack %d (%s): no field %q; it has %s", d.PGN, d.Title, key, d.keys())
		}
	}
	return out, nil
}

func scalar(v any) (n float64, s string, ok, known bool) {
	switch v := v.(type) {
	case nil:
		return 0, "", false, true
	case float64:
		return v, "", true, true
	case float32:
		return float64(v), "", true, true
	case int:
		return float64(v), "", true, true
	case int64:
		return float64(v), "", true, true
	case uint8:
		return float64(v), "", true, true
	case uint32:
		return float64(v), "", true, true
	case uint64:
		return float64(v), "", true, true
	case bool:
		if v {
			return 1, "", true, true
		}
		return 0, "", true, true
	case string:
		return 0, v, true, true
	}
	return 0, "", false, false
}

// keys lists the keys that can be given, for an error.
func (d *Definition) keys() string {
	s := ""
	for i := range d.Fields {
		if f := &d.Fields[i]; f.Role != RoleReserved {
			if s != "" {
				s += ", "
			}
			s += f.Key
		}
	}
	return s
}
