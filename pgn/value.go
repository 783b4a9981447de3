package pgn

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// State is whether a value is one.
type State uint8

// The states. The codes for all but Available and Missing are the highest of a field's range (see NMEA 2000's data types).
const (
	Available     State = iota
	NotAvailable        // the sender has no value; also an empty text and every reserved field
	OutOfRange          // the sender has a value it cannot express, or an error
	ReservedValue       // the third highest code, which no device may send
	Missing             // the payload ends before the field
)

var stateNames = [...]string{"available", "not available", "out of range", "reserved", "missing"}

// String is the state in lower case.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return fmt.Sprintf("state(%d)", uint8(s))
}

// Value is one decoded field.
type Value struct {
	Field *Field
	Of    *Field // group function parameter: the field of the target message that it is a value of; nil when not known

	Raw    int64   // bits as sent, sign-extended for Signed; for a String the text type (0 UTF-16, 1 ASCII)
	Number float64 // in Field.Unit; NaN unless a number is Available
	Text   []byte  // Text, String, Raw: the bytes without filling, aliasing the payload
	Repeat uint16  // which repeat of its group, from 0
	State  State
}

var nan = math.NaN()

// The types of a variable string.
const (
	textUTF16 = 0
	textASCII = 1
)

// set stores the number raw, which has no bits outside the field.
func (v *Value) set(f *Field, raw uint64) {
	v.Raw = int64(raw)
	if f.Type == Signed {
		v.Raw = int64(raw<<(64-uint(f.Width))) >> (64 - uint(f.Width))
	}
	switch k := f.max - raw; { // wraps to a huge number for a negative raw
	case k < f.special:
		v.Number, v.State = nan, NotAvailable+State(k)
	case raw == f.absent, f.Role == RoleReserved:
		v.Number, v.State = nan, NotAvailable
	default:
		n := float64(v.Raw)
		if v.Raw < 0 && f.Type != Signed {
			n = float64(raw)
		}
		if f.div != 1 {
			n /= f.div
		}
		v.Number = n*f.mul + f.Origin
	}
}

// setText stores fixed width text: it ends at the first FF, NUL or '@', then trailing spaces go (open device stack; AIS text).
func (v *Value) setText(p []byte) {
	n := textLength(p)
	v.Raw, v.Number, v.Text = 0, nan, p[:n]
	if n == 0 {
		v.State = NotAvailable
	}
}

func textLength(p []byte) int {
	n := 0
	for n < len(p) && p[n] != 0xFF && p[n] != 0 && p[n] != '@' {
		n++
	}
	for n > 0 && p[n-1] == ' ' {
		n--
	}
	return n
}

// setString stores a variable string; filling that some senders count in goes away: everything from a NUL on, trailing FF and spaces.
func (v *Value) setString(p []byte, kind byte) {
	if kind == textUTF16 {
		p = p[:len(p)&^1]
		for i := 0; i < len(p); i += 2 {
			if p[i] == 0 && p[i+1] == 0 {
				p = p[:i]
			}
		}
		for n := len(p); n > 0 && (p[n-2] == ' ' && p[n-1] == 0 || p[n-2] == 0xFF && p[n-1] == 0xFF); n = len(p) {
			p = p[:n-2]
		}
	} else {
		for i, b := range p {
			if b == 0 {
				p = p[:i]
				break
			}
		}
		for n := len(p); n > 0 && (p[n-1] == ' ' || p[n-1] == 0xFF); n = len(p) {
			p = p[:n-1]
		}
	}
	v.Raw, v.Number, v.Text = int64(kind), nan, p
	if len(p) == 0 {
		v.State = NotAvailable
	}
}

// shape is the field that defines how the value is encoded.
func (v Value) shape() *Field {
	if v.Of != nil {
		return v.Of
	}
	return v.Field
}

// Name is the entry of the field's code table, or "" when there is none. For a set of flags it is the list of those that are set.
func (v Value) Name() string {
	f := v.shape()
	if f.Table == "" || v.State != Available {
		return ""
	}
	if f.Type != Bits || f.Width == 1 {
		return codeName(f.Table, v.Raw)
	}
	var set []string
	for i := range f.Width {
		if v.Raw>>i&1 == 1 {
			if name := codeName(f.Table, int64(i)); name != "" {
				set = append(set, name)
			} else {
				set = append(set, "bit "+strconv.Itoa(i))
			}
		}
	}
	return strings.Join(set, ", ")
}

// Str is the text as UTF-8, with everything that does not print escaped; "" when the value has none.
func (v Value) Str() string {
	if v.State != Available || len(v.Text) == 0 {
		return ""
	}
	switch v.shape().Type {
	case Text:
		return sanitize(v.Text, textASCII)
	case String:
		return sanitize(v.Text, byte(v.Raw))
	}
	return ""
}

// Time is the date of a Date field, at midnight UTC.
func (v Value) Time() (t time.Time, ok bool) {
	if v.State != Available || v.shape().Type != Date {
		return time.Time{}, false
	}
	return time.Unix(v.Raw*86400, 0).UTC(), true
}

// TimeOfDay is the time since midnight UTC of a Time field.
func (v Value) TimeOfDay() (d time.Duration, ok bool) {
	if v.State != Available || v.shape().Type != Time {
		return 0, false
	}
	return time.Duration(v.Raw) * 100 * time.Microsecond, true
}

// String is for people: "12.60 V", "GPS", "2009-03-01", "not available". Numbers show the decimals of the field's resolution.
func (v Value) String() string {
	if v.State != Available {
		return v.State.String()
	}
	f := v.shape()
	switch f.Type {
	case Text, String:
		return v.Str()
	case Raw, Parameter:
		return fmt.Sprintf("% X", v.Text)
	case Date:
		t, _ := v.Time()
		return t.Format(time.DateOnly)
	case Time:
		t, _ := v.TimeOfDay()
		return fmt.Sprintf("%02d:%02d:%07.4f", int(t.Hours()), int(t.Minutes())%60, (t % time.Minute).Seconds())
	}
	if s := v.Name(); s != "" {
		return s
	}
	decimals, r := 0, f.Resolution
	for ; r < 0.9999999 && decimals < 16; r *= 10 {
		decimals++
	}
	if r-math.Trunc(r+1e-6) > 1e-6 { // steps of 0.25 need one decimal more than 0.1
		decimals++
	}
	s := strconv.FormatFloat(v.Number, 'f', decimals, 64)
	if f.Unit != "" {
		s += " " + f.Unit
	}
	return s
}

// Find returns the value of a field by key in what Decode gave, nil if there is none.
func Find(values []Value, key string, repeat int) *Value {
	for i := range values {
		if v := &values[i]; int(v.Repeat) == repeat && (v.Field.Key == key || key == "instance" && v.Field.Role == RoleInstance) {
			return v
		}
	}
	return nil
}
