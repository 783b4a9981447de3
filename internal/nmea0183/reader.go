package nmea0183

import (
	"math"
	"slices"
	"strings"
	"time"

	nmea "github.com/adrianmo/go-nmea"
)

// reader collects the readings of one sentence.
type reader struct {
	s      *Sentence
	fields []string // as its layout has cleaned them
	out    []Reading
	bad    bool // a field was not what the type requires
}

// clean takes the fields by a layout.
func (r *reader) clean(l layout) {
	r.fields, r.bad = l.clean(r.s)
}

// has reports whether field i holds something that can be read.
func (r *reader) has(i int) bool { return r.fields[i] != "" }

// put appends a reading. What is not finite is never available.
func (r *reader) put(x Reading) {
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
func (r *reader) value(q Quantity, ref Reference, value float64, available bool) {
	r.put(Reading{Quantity: q, Reference: ref, Value: value, Available: available})
}

// angle appends a direction given in degrees, which must lie within ±360.
func (r *reader) angle(q Quantity, ref Reference, degrees float64, available bool) {
	if available && !(math.Abs(degrees) <= 360) {
		r.bad, available = true, false
	}
	r.value(q, ref, wrap(degrees*radian), available)
}

// bothNorths appends a direction from true and from magnetic north, given in the two fields.
func (r *reader) bothNorths(q Quantity, i, j int, trueNorth, magnetic float64) {
	r.angle(q, True, trueNorth, r.has(i))
	r.angle(q, Magnetic, magnetic, r.has(j))
}

// given is a value in a field, and its unit.
type given struct {
	field       int
	value, unit float64
}

// first is the first of the values that is there.
func (r *reader) first(list ...given) (float64, bool) {
	for _, g := range list {
		if r.has(g.field) {
			return g.value * g.unit, true
		}
	}
	return 0, false
}

// within is the whole number in a field, which must lie from low to high.
func (r *reader) within(i int, n int64, low, high int) (int, bool) {
	if !r.has(i) {
		return 0, false
	}
	if n < int64(low) || n > int64(high) {
		r.bad = true
		return 0, false
	}
	return int(n), true
}

// eastward is degrees in field i, east or west by the letter side, east positive; a zero needs no side.
func (r *reader) eastward(i int, degrees float64, side string) (float64, bool) {
	if side == nmea.West {
		degrees = -degrees
	}
	if !r.has(i) || side == "" && degrees != 0 {
		return 0, false
	}
	return degrees, true
}

// valid reads the status in field i and the mode letter. A missing status is taken for valid: old forms had none. A
// mode that is none of the standard's is some manufacturer's own and counts as unknown.
func (r *reader) valid(i int, mode string) (valid bool, m Mode) {
	m = modeOf(mode)
	return (r.fields[i] == nmea.StatusValid || !r.s.Has(i)) && m != ModeNone, m
}

func modeOf(letter string) Mode {
	if len(letter) == 1 && strings.Contains("ADEFMNPRS", letter) {
		return Mode(letter[0])
	}
	return ModeUnknown
}

// letter is the only letter of a field in upper case, 0 when the field is empty or longer.
func letter(field []byte) byte {
	if len(field) == 1 {
		return upper(field[0])
	}
	return 0
}

// position appends the latitude in field i with its letter, and the longitude behind it.
func (r *reader) position(i int, latitude, longitude float64, mode Mode, valid bool) {
	r.put(Reading{Quantity: Position, Value: latitude, Longitude: longitude, Mode: mode,
		Available: valid && r.has(i) && r.has(i+2)})
}

// timeOfDay appends a time. A receiver without a fix sends its own clock's time, which is not available.
func (r *reader) timeOfDay(t nmea.Time, mode Mode) {
	r.put(Reading{Quantity: TimeOfDay, Value: seconds(t), Available: t.Valid && mode != ModeNone, Mode: mode})
}

// dateTime appends the time of an RMC sentence, which has its date in field 8.
func (r *reader) dateTime(d nmea.Date, t nmea.Time, mode Mode, valid bool) {
	x := Reading{Quantity: TimeOfDay, Value: seconds(t), Available: t.Valid && valid, Mode: mode}
	if r.s.Has(8) {
		year := d.YY + 2000
		if year >= 2080 { // two digits: 80 to 99 are last century's (common practice, no source)
			year -= 100
		}
		at, isDate := moment(year, d.MM, d.DD, seconds(t))
		isDate = isDate && d.Valid
		r.bad = r.bad || !isDate
		x.Quantity, x.Value, x.Available = Time, at, x.Available && isDate
	}
	r.put(x)
}

// seconds are those since midnight, to the millisecond.
func seconds(t nmea.Time) float64 {
	return float64(t.Hour*3600+t.Minute*60+t.Second) + float64(t.Millisecond)/1000
}

// moment is a date and the seconds since its midnight in seconds since 1970, or false when there is no such day.
func moment(year, month, day int, seconds float64) (float64, bool) {
	t := time.Date(year, time.Month(month), day, 0, 0, 0, 0, time.UTC)
	if t.Day() != day || int(t.Month()) != month {
		return 0, false
	}
	return float64(t.Unix()) + seconds, true
}

const (
	knot         = 1852.0 / 3600 // m/s
	kmh          = 1 / 3.6       // m/s
	statuteMile  = 1609.344      // m
	nauticalMile = 1852.0        // m
	foot         = 0.3048        // m
	fathom       = 1.8288        // m
	inchMercury  = 3386.389      // Pa
	bar          = 1e5           // Pa
	zeroCelsius  = 273.15        // K
	radian       = math.Pi / 180
)

// wrap brings an angle into 0 up to 2π.
func wrap(a float64) float64 {
	a = math.Mod(a, 2*math.Pi)
	if a < 0 {
		a += 2 * math.Pi
	}
	if a >= 2*math.Pi {
		a = 0
	}
	return a
}

func wrapDegrees(d float64) float64 {
	switch {
	case d < 0 && d > -360:
		return d + 360
	case d >= 360 && d < 720:
		return d - 360
	}
	return d
}

// finite reports whether x is a number: an infinity less itself is none, nor is what was none before.
func finite(x float64) bool { return x-x == 0 }

// containsAny reports whether one of the parts is in text.
func containsAny(text string, parts []string) bool {
	return slices.ContainsFunc(parts, func(part string) bool { return strings.Contains(text, part) })
}
