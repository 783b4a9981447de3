package nmea0183

import (
	"math"
	"strconv"
	"time"
)

// Values reads the values of the sentence types in use. Each source has its own; it is not safe for concurrent use.
// The zero value is ready.
type Values struct {
	reader reader // kept so that no sentence needs a new one
}

// format is one sentence type whose values are read.
type format struct {
	name    string
	nominal time.Duration // usual interval (common practice, no source); 0 when sent on events
	carries []Quantity
	read    func(*reader)
}

// formats is sorted by name.
var formats = []format{
	{"DBK", time.Second, []Quantity{Depth}, readDBK},
	{"DBS", time.Second, []Quantity{Depth}, readDBS},
	{"DBT", time.Second, []Quantity{Depth}, readDBT},
	{"DPT", time.Second, []Quantity{Depth}, readDPT},
	{"GGA", time.Second, []Quantity{TimeOfDay, Position, SatellitesUsed, HorizontalDilution, Altitude}, readGGA},
	{"GLL", time.Second, []Quantity{Position, TimeOfDay}, readGLL},
	{"GNS", time.Second, []Quantity{TimeOfDay, Position, SatellitesUsed, HorizontalDilution, Altitude}, readGNS},
	{"HDG", time.Second, []Quantity{Heading, Deviation, Variation}, readHDG},
	{"HDM", time.Second, []Quantity{Heading}, readHDM},
	{"HDT", time.Second, []Quantity{Heading}, readHDT},
	{"MDA", time.Second, []Quantity{Pressure, AirTemperature, WaterTemperature, Humidity, WindAngle, WindSpeed}, readMDA},
	{"MHU", time.Second, []Quantity{Humidity}, readMHU},
	{"MMB", time.Second, []Quantity{Pressure}, readMMB},
	{"MTA", time.Second, []Quantity{AirTemperature}, readMTA},
	{"MTW", time.Second, []Quantity{WaterTemperature}, readMTW},
	{"MWD", time.Second, []Quantity{WindAngle, WindSpeed}, readMWD},
	{"MWV", time.Second, []Quantity{WindAngle, WindSpeed}, readMWV},
	{"RMC", time.Second, []Quantity{Time, TimeOfDay, Position, SpeedOverGround, CourseOverGround, Variation}, readRMC},
	{"ROT", time.Second, []Quantity{RateOfTurn}, readROT},
	{"RPM", time.Second, []Quantity{EngineSpeed}, readRPM},
	{"RSA", time.Second, []Quantity{RudderAngle}, readRSA},
	{"THS", time.Second, []Quantity{Heading}, readTHS},
	{"VBW", time.Second, []Quantity{SpeedThroughWater}, readVBW},
	{"VDR", time.Second, []Quantity{CurrentSet, CurrentDrift}, readVDR},
	{"VHW", time.Second, []Quantity{Heading, SpeedThroughWater}, readVHW},
	{"VLW", time.Second, []Quantity{DistanceLog, TripLog}, readVLW},
	{"VTG", time.Second, []Quantity{CourseOverGround, SpeedOverGround}, readVTG},
	{"VWR", time.Second, []Quantity{WindAngle, WindSpeed}, readVWR},
	{"VWT", time.Second, []Quantity{WindAngle, WindSpeed}, readVWT},
	{"XDR", time.Second, []Quantity{Pitch, Roll, WaterTemperature, AirTemperature, Pressure, Humidity}, readXDR},
	{"ZDA", time.Second, []Quantity{Time}, readZDA},
}

// formatOf finds a sentence type. The comparisons are written out because a conversion within them costs no allocation.
func formatOf(formatter []byte) *format {
	low, high := 0, len(formats)
	for low < high {
		switch middle := (low + high) / 2; {
		case formats[middle].name == string(formatter):
			return &formats[middle]
		case formats[middle].name < string(formatter):
			low = middle + 1
		default:
			high = middle
		}
	}
	return nil
}

// Nominal is the usual interval of a sentence type (common practice, no source), or 0 when there is none.
func Nominal(formatter string) time.Duration {
	if f := formatOf([]byte(formatter)); f != nil {
		return f.nominal
	}
	return 0
}

// Carries lists the quantities that a sentence type can carry, none for a type whose values are not read. The list is the caller's to read only.
func Carries(formatter string) []Quantity {
	if f := formatOf([]byte(formatter)); f != nil {
		return f.carries
	}
	return nil
}

// Read appends the readings of s to readings and returns it. A sentence type that it does not know, and a sentence with a bad
// checksum, gives none and no error. ReasonValue means that a field was not what the type wants there; the readings of the other fields
// are given as far as they could be read.
func (v *Values) Read(s *Sentence, readings []Reading) ([]Reading, error) {
	if s.Start != '$' || s.Checksum == ChecksumBad || s.Address.Proprietary() || s.Address.Query() {
		return readings, nil
	}
	f := formatOf(s.Formatter())
	if f == nil {
		return readings, nil
	}
	r := &v.reader
	*r = reader{s: s, out: readings}
	f.read(r)
	out, bad := r.out, r.bad
	*r = reader{}
	if bad {
		return out, ReasonValue
	}
	return out, nil
}

// reader collects the readings of one sentence.
type reader struct {
	s   *Sentence
	out []Reading
	bad bool
}

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

// number reads a decimal number. An empty or absent field is not available; anything that is not a plain decimal number is bad.
func (r *reader) number(i int) (float64, bool) {
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

// is reports whether the field is the letter, in either case. Another letter there is bad; an empty or absent field is not.
func (r *reader) is(i int, letter byte) bool {
	b := r.s.Field(i)
	if len(b) == 1 && upper(b[0]) == letter {
		return true
	}
	r.bad = r.bad || len(b) > 0
	return false
}

// letter is the only letter of a field in upper case, 0 when the field is empty, absent or longer.
func (r *reader) letter(i int) byte {
	if b := r.s.Field(i); len(b) == 1 {
		return upper(b[0])
	}
	return 0
}

// signed applies a direction letter: minus makes the value negative, plus leaves it. Without either a value is not available.
func (r *reader) signed(i int, plus, minus byte) (float64, bool) {
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

// decimal reads digits with at most one point and a sign; no exponent, no hexadecimal, no words. The number is rounded as
// strconv.ParseFloat rounds: up to fifteen digits are a whole number that a float64 holds, divided by a power of ten that it holds too.
func decimal(b []byte) (float64, bool) {
	digits, point, whole := 0, -1, uint64(0)
	for i, c := range b {
		switch {
		case isDigit(c):
			digits++
			whole = whole*10 + uint64(c-'0')
		case c == '.' && point < 0:
			point = i
		case (c == '-' || c == '+') && i == 0:
		default:
			return 0, false
		}
	}
	if digits == 0 || len(b) > 32 {
		return 0, false
	}
	if digits > 15 {
		x, err := strconv.ParseFloat(string(b), 64)
		return x, err == nil
	}
	x := float64(whole)
	if point >= 0 {
		x /= tenTo[len(b)-1-point]
	}
	if b[0] == '-' {
		x = -x
	}
	return x, true
}

// tenTo are powers of ten. Read-only.
var tenTo = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

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

// finite reports whether x is a number: an infinity less itself is none, nor is what was none before.
func finite(x float64) bool { return x-x == 0 }
