package nmea0183

import (
	"math"
	"strconv"
)

// plain reads the values of a sentence without the library, field by field: what the readers of the package are held
// to.
type plain struct {
	s   *Sentence
	out []Reading
	bad bool
}

// put appends a reading. What is not finite is never available.
func (r *plain) put(x Reading) {
	if !finite(x.Value) || !finite(x.Longitude) || !finite(x.Offset) {
		r.bad = true
		x.Available = false
	}
	if !x.Available {
		x.Value, x.Longitude, x.Offset, x.HasOffset = 0, 0, 0, false
	}
	r.out = append(r.out, x)
}

// value appends a reading without extras.
func (r *plain) value(q Quantity, ref Reference, value float64, available bool) {
	r.put(Reading{Quantity: q, Reference: ref, Value: value, Available: available})
}

// angle appends a direction given in degrees, which must lie within ±360.
func (r *plain) angle(q Quantity, ref Reference, degrees float64, available bool) {
	if available && !(math.Abs(degrees) <= 360) {
		r.bad, available = true, false
	}
	r.value(q, ref, wrap(degrees*radian), available)
}

// number reads a decimal number. An empty or absent field is not available; anything that is not a plain decimal number
// is bad.
func (r *plain) number(i int) (float64, bool) {
	b := r.s.Field(i)
	if len(b) == 0 {
		return 0, false
	}
	x, ok := decimal(b)
	if !ok {
		r.bad = true
	}
	return x, ok
}

// is reports whether the field is the letter, in either case. Another letter there is bad; an empty or absent field is
// not.
func (r *plain) is(i int, letter byte) bool {
	b := r.s.Field(i)
	if len(b) == 1 && upper(b[0]) == letter {
		return true
	}
	r.bad = r.bad || len(b) > 0
	return false
}

// letter is the only letter of a field in upper case, 0 when the field is empty, absent or longer.
func (r *plain) letter(i int) byte {
	if b := r.s.Field(i); len(b) == 1 {
		return upper(b[0])
	}
	return 0
}

// signed applies a direction letter: minus makes the value negative, plus leaves it. Without either a value is not
// available.
func (r *plain) signed(i int, plus, minus byte) (float64, bool) {
	x, ok := r.number(i)
	if !ok {
		return 0, false
	}
	switch r.letter(i + 1) {
	case plus:
		return x, true
	case minus:
		return -x, true
	}
	r.bad = r.bad || r.s.Has(i+1)
	return 0, false
}

// decimal reads digits with at most one point and a sign; no exponent, no hexadecimal, no words.
func decimal(b []byte) (float64, bool) {
	digits, points := 0, 0
	for i, c := range b {
		switch {
		case isDigit(c):
			digits++
		case c == '.' && points == 0:
			points++
		case (c == '-' || c == '+') && i == 0:
		default:
			return 0, false
		}
	}
	if digits == 0 || len(b) > 32 {
		return 0, false
	}
	x, err := strconv.ParseFloat(string(b), 64)
	return x, err == nil
}
