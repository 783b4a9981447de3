package boat

import (
	"math"
	"slices"
	"time"

	"muster/internal/nmea0183"
	"muster/internal/quantity"
)

// Quantity is something that displays take from one source, with the messages of both worlds that carry it.
type Quantity struct {
	Name     string
	PGNs     []uint32
	Measures []Measure // its values that are compared between sources

	carried   []nmea0183.Quantity // what sentences carry of it
	formatter string              // of a sentence whose values are not read
	mixed     []uint32            // messages that carry it or leave it empty: only what they measured shows it
	selector  uint8               // what a message with a selector must have there to carry it
}

// Names of quantities whose values do not show which source repeats which.
const (
	MagneticVariation = "magnetic variation"
	TimeOfDay         = "time"
	AISTargets        = "AIS"
)

// Quantities lists what a boat has one source of, in report order. Messages: the published titles of the message set.
func Quantities() []Quantity {
	return []Quantity{
		{Name: "position", PGNs: []uint32{129025, 129029}, Measures: []Measure{Position}, carried: []nmea0183.Quantity{nmea0183.Position}},
		{Name: "course and speed over ground", PGNs: []uint32{129026}, Measures: []Measure{CourseTrue, CourseMagnetic, SpeedOverGround},
			carried: []nmea0183.Quantity{nmea0183.CourseOverGround, nmea0183.SpeedOverGround}},
		{Name: "heading", PGNs: []uint32{127250}, Measures: []Measure{HeadingTrue, HeadingMagnetic}, carried: []nmea0183.Quantity{nmea0183.Heading}},
		{Name: "rate of turn", PGNs: []uint32{127251}, Measures: []Measure{RateOfTurn}, carried: []nmea0183.Quantity{nmea0183.RateOfTurn}},
		{Name: "attitude", PGNs: []uint32{127257}, Measures: []Measure{Pitch, Roll}, carried: []nmea0183.Quantity{nmea0183.Pitch, nmea0183.Roll}},
		{Name: MagneticVariation, PGNs: []uint32{127258}, Measures: []Measure{Variation},
			carried: []nmea0183.Quantity{nmea0183.Variation}},
		{Name: "rudder", PGNs: []uint32{127245}, Measures: []Measure{RudderAngle}, carried: []nmea0183.Quantity{nmea0183.RudderAngle}},
		{Name: "depth", PGNs: []uint32{128267}, Measures: []Measure{DepthSurface, DepthKeel, DepthTransducer},
			carried: []nmea0183.Quantity{nmea0183.Depth}},
		{Name: "speed through water", PGNs: []uint32{128259}, Measures: []Measure{SpeedThroughWater},
			carried: []nmea0183.Quantity{nmea0183.SpeedThroughWater}},
		{Name: "wind", PGNs: []uint32{130306}, Measures: []Measure{ApparentWindAngle, ApparentWindSpeed, TrueWindAngle, TrueWindSpeed, GroundWindDirection, GroundWindAngle, GroundWindSpeed},
			carried: []nmea0183.Quantity{nmea0183.WindAngle, nmea0183.WindSpeed}},
		{Name: "water temperature", PGNs: []uint32{130312, 130316}, Measures: []Measure{WaterTemperature},
			carried: []nmea0183.Quantity{nmea0183.WaterTemperature}, mixed: []uint32{130310, 130311}, selector: seaTemperature},
		{Name: "atmospheric pressure", PGNs: []uint32{130314}, Measures: []Measure{Pressure},
			carried: []nmea0183.Quantity{nmea0183.Pressure}, mixed: []uint32{130310, 130311}, selector: atmosphere},
		{Name: "humidity", PGNs: []uint32{130313}, Measures: []Measure{Humidity},
			carried: []nmea0183.Quantity{nmea0183.Humidity}, mixed: []uint32{130311}, selector: outsideHumidity},
		{Name: TimeOfDay, PGNs: []uint32{126992, 129033}, Measures: []Measure{ClockOffset},
			carried: []nmea0183.Quantity{nmea0183.Time}},
		{Name: AISTargets, PGNs: []uint32{129038, 129039, 129040}, formatter: "VDM"},
	}
}

// In reports whether a message carries the quantity: of temperatures for instance only that of the sea is water temperature. A message
// that may carry several quantities carries those of whose measures it gave values.
func (q *Quantity) In(number uint32, selector *uint8, measures []string) bool {
	if slices.Contains(q.PGNs, number) {
		return selector == nil || *selector == q.selector
	}
	return slices.Contains(q.mixed, number) &&
		slices.ContainsFunc(q.Measures, func(m Measure) bool { return slices.Contains(measures, m.String()) })
}

// mixed reports whether the message is one of the environment's, of which only what they measured shows what they
// carry.
func mixed(number uint32) bool { return number == 130310 || number == 130311 }

// SentIn reports whether sentences of the type carry the quantity.
func (q *Quantity) SentIn(formatter string) bool {
	return q.formatter != "" && formatter == q.formatter ||
		slices.ContainsFunc(nmea0183.Carries(formatter), func(c nmea0183.Quantity) bool { return slices.Contains(q.carried, c) })
}

// Measure is one value that sources are compared in, with its reference: values of different references are kept apart.
type Measure uint8

// The measures, with the unit of their values.
const (
	Position            Measure = iota // degrees, north and east positive
	CourseTrue                         // rad
	CourseMagnetic                     // rad, while no variation is known
	SpeedOverGround                    // m/s
	HeadingTrue                        // rad
	HeadingMagnetic                    // rad, while no variation is known
	RateOfTurn                         // rad/s
	Pitch                              // rad
	Roll                               // rad
	Variation                          // rad, east positive
	DepthSurface                       // m below the surface
	DepthKeel                          // m below the keel
	DepthTransducer                    // m below a transducer of unknown place
	SpeedThroughWater                  // m/s
	ApparentWindAngle                  // rad from the bow
	ApparentWindSpeed                  // m/s
	TrueWindAngle                      // rad from the bow, through the water
	TrueWindSpeed                      // m/s, through the water
	GroundWindDirection                // rad from true north
	GroundWindAngle                    // rad from the bow
	GroundWindSpeed                    // m/s
	WaterTemperature                   // K
	Pressure                           // Pa
	Humidity                           // % outside
	RudderAngle                        // rad, of the single or starboard rudder
	ClockOffset                        // s: satellite time less the time at which it was received
	measureCount
)

// MeasureInfo describes a measure.
type MeasureInfo struct {
	Name      string
	Unit      string  // as shown to people: deg, kn, m, °C
	Scale     float64 // from the value's own unit, or from m for a distance, to Unit
	Compare   quantity.Comparison
	Tolerance float64       // in Unit: more than two sources of published accuracy differ by; see TestTolerancesCoverAccuracy
	Age       time.Duration // by which what two sources give may differ, with their filters and their ways (common practice)
	Share     float64       // of the greater value, where that is more than Tolerance (common practice, no source)
}

const (
	perDegree = 180 / math.Pi
	perKnot   = 3600.0 / 1852
)

// measures is the table of measures, in order of the constants. Read-only.
var measures = [measureCount]MeasureInfo{
	Position:            {"position", "m", 1, quantity.GreatCircle, 50, 500 * time.Millisecond, 0},
	CourseTrue:          {"course over ground", "deg", perDegree, quantity.Circular, 20, 3 * time.Second, 0},
	CourseMagnetic:      {"magnetic course over ground", "deg", perDegree, quantity.Circular, 20, 3 * time.Second, 0},
	SpeedOverGround:     {"speed over ground", "kn", perKnot, quantity.Linear, 1.5, 3 * time.Second, 0.10},
	HeadingTrue:         {"heading", "deg", perDegree, quantity.Circular, 10, time.Second, 0},
	HeadingMagnetic:     {"magnetic heading", "deg", perDegree, quantity.Circular, 10, time.Second, 0},
	RateOfTurn:          {"rate of turn", "deg/s", perDegree, quantity.Linear, 5, 3 * time.Second, 0},
	Pitch:               {"pitch", "deg", perDegree, quantity.Linear, 5, time.Second, 0},
	Roll:                {"roll", "deg", perDegree, quantity.Linear, 5, time.Second, 0},
	Variation:           {"magnetic variation", "deg", perDegree, quantity.Linear, 2, 0, 0},
	DepthSurface:        {"depth below the surface", "m", 1, quantity.Linear, 2, time.Second, 0.05},
	DepthKeel:           {"depth below the keel", "m", 1, quantity.Linear, 2, time.Second, 0.05},
	DepthTransducer:     {"depth below the transducer", "m", 1, quantity.Linear, 3, time.Second, 0.05},
	SpeedThroughWater:   {"speed through water", "kn", perKnot, quantity.Linear, 1.5, 3 * time.Second, 0.10},
	ApparentWindAngle:   {"apparent wind angle", "deg", perDegree, quantity.Circular, 20, 5 * time.Second, 0},
	ApparentWindSpeed:   {"apparent wind speed", "kn", perKnot, quantity.Linear, 6, 5 * time.Second, 0.15},
	TrueWindAngle:       {"true wind angle", "deg", perDegree, quantity.Circular, 30, 5 * time.Second, 0},
	TrueWindSpeed:       {"true wind speed", "kn", perKnot, quantity.Linear, 6, 5 * time.Second, 0.15},
	GroundWindDirection: {"wind direction", "deg", perDegree, quantity.Circular, 30, 5 * time.Second, 0},
	GroundWindAngle:     {"true wind angle over ground", "deg", perDegree, quantity.Circular, 30, 5 * time.Second, 0},
	GroundWindSpeed:     {"wind speed over ground", "kn", perKnot, quantity.Linear, 6, 5 * time.Second, 0.15},
	WaterTemperature:    {"water temperature", "°C", 1, quantity.Linear, 3, time.Minute, 0},
	Pressure:            {"atmospheric pressure", "hPa", 0.01, quantity.Linear, 5, time.Minute, 0},
	Humidity:            {"humidity", "%", 1, quantity.Linear, 10, time.Minute, 0},
	RudderAngle:         {"rudder angle", "deg", perDegree, quantity.Linear, 5, time.Second, 0},
	ClockOffset:         {"time", "s", 1, quantity.Linear, 2, 0, 0},
}

// Measures lists every measure.
func Measures() []Measure {
	list := make([]Measure, measureCount)
	for i := range list {
		list[i] = Measure(i)
	}
	return list
}

// Info describes the measure; an unknown one has no name.
func (m Measure) Info() MeasureInfo {
	if m < measureCount {
		return measures[m]
	}
	return MeasureInfo{Scale: 1}
}

// String is the measure's name.
func (m Measure) String() string { return m.Info().Name }

// Difference is how far apart two sources are, in the unit of the measure's Info.
func (m Measure) Difference(a, b *Source) float64 {
	info := m.Info()
	switch info.Compare {
	case quantity.GreatCircle:
		return info.Scale * quantity.Distance(a.Value, a.Longitude, b.Value, b.Longitude)
	case quantity.Circular:
		return info.Scale * quantity.Angle(a.Value, b.Value)
	}
	return info.Scale * math.Abs(a.Value-b.Value)
}

// Limit is how far apart the two may be, where the tolerance is set to so much.
func (m Measure) Limit(tolerance float64, a, b *Source) float64 {
	info := m.Info()
	return max(tolerance, info.Share*info.Scale*max(math.Abs(a.Value), math.Abs(b.Value)))
}
