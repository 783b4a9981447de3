package nmea0183

import (
	"strconv"

	nmea "github.com/adrianmo/go-nmea"
)

// The readers below are of the types that go-nmea lacks or has wrong: see formats for what.

// readGGA reads time, latitude, N/S, longitude, E/W, quality, satellites, HDOP, altitude, M (gpsd NMEA page), and
// shorter forms.
func readGGA(r *reader) {
	mode := ModeUnknown
	if r.has(5) {
		mode = qualities[r.fields[5][0]-'0']
	}
	fix := mode != ModeNone
	// The fields are of their kinds, so neither fails; without a text both give zero.
	t, _ := nmea.ParseTime(r.fields[0])
	latitude, _ := nmea.ParseGPS(r.fields[1] + " " + r.fields[2])
	longitude, _ := nmea.ParseGPS(r.fields[3] + " " + r.fields[4])
	r.timeOfDay(t, mode)
	r.position(1, latitude, longitude, mode, fix)
	r.value(SatellitesUsed, ReferenceNone, r.number(6), r.has(6))
	r.put(Reading{Quantity: HorizontalDilution, Value: r.number(7), Available: r.has(7) && fix, Mode: mode})
	r.put(Reading{Quantity: Altitude, Value: r.number(8), Available: r.has(8) && fix, Mode: mode})
}

// qualities of a GGA sentence, from 0 to 8. Read-only.
var qualities = [...]Mode{
	ModeNone, ModeAutonomous, ModeDifferential, ModePrecise, ModeKinematic, ModeFloat, ModeEstimated, ModeManual,
	ModeSimulated,
}

// fourNumbers is the old form of VTG and VHW without letters: true, magnetic, knots, km/h.
var fourNumbers = layoutOf("num num num num")

// readVTG reads course, T, course, M, speed, N, speed, K, mode (gpsd NMEA page), and the old form.
func readVTG(r *reader) {
	mode, step := ModeUnknown, 2
	if r.s.NumFields() == 4 {
		r.clean(fourNumbers)
		step = 1
	} else {
		mode = modeOf(r.fields[8])
	}
	valid := mode != ModeNone
	r.angle(CourseOverGround, True, r.number(0), r.has(0) && valid)
	r.angle(CourseOverGround, Magnetic, r.number(step), r.has(step) && valid)
	speed, has := r.first(given{2 * step, r.number(2 * step), knot}, given{3 * step, r.number(3 * step), kmh})
	r.put(Reading{Quantity: SpeedOverGround, Value: speed, Available: has && valid, Mode: mode})
}

// readVHW reads heading, T, heading, M, speed, N, speed, K (gpsd NMEA page), and the old form (from memory).
func readVHW(r *reader) {
	step := 2
	if r.s.NumFields() == 4 && letter(r.s.Field(1)) != 'T' {
		r.clean(fourNumbers)
		step = 1
	}
	r.bothNorths(Heading, 0, step, r.number(0), r.number(step))
	speed, has := r.first(given{2 * step, r.number(2 * step), knot}, given{3 * step, r.number(3 * step), kmh})
	r.value(SpeedThroughWater, Water, speed, has)
}

// readMMB reads pressure in inches of mercury, I, in bar, B (from memory).
func readMMB(r *reader) {
	pressure, has := r.first(given{2, r.number(2), bar}, given{0, r.number(0), inchMercury})
	r.value(Pressure, ReferenceNone, pressure, has)
}

// readMHU reads relative humidity in per cent, absolute humidity, dew point, C (from memory).
func readMHU(r *reader) { r.value(Humidity, ReferenceNone, r.number(0), r.has(0)) }

// number is the number in a field, 0 when it is empty.
func (r *reader) number(i int) float64 {
	x, _ := strconv.ParseFloat(r.fields[i], 64) // the layout let nothing else pass
	return x
}
