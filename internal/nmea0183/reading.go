package nmea0183

import "fmt"

// Quantity is what a Reading measures.
type Quantity uint8

// The quantities, each with the unit of its value. Angles are in radians, from 0 up to 2π unless stated otherwise.
const (
	QuantityNone       Quantity = iota
	Time                        // date and time in seconds since 1970-01-01 UTC
	TimeOfDay                   // time without a date in seconds since midnight UTC
	Position                    // latitude in degrees, north positive, and longitude in degrees, east positive
	CourseOverGround            // rad; true or magnetic
	SpeedOverGround             // m/s
	Heading                     // rad; true or magnetic
	Deviation                   // rad, east positive
	Variation                   // rad, east positive
	RateOfTurn                  // rad/s, bow to starboard positive
	Depth                       // m; below transducer, surface or keel
	SpeedThroughWater           // m/s, ahead positive
	WindAngle                   // rad; from the bow clockwise, or from north
	WindSpeed                   // m/s
	WaterTemperature            // K
	AirTemperature              // K
	Pressure                    // Pa
	Humidity                    // relative, per cent
	Pitch                       // rad, bow up positive
	Roll                        // rad, to starboard positive
	RudderAngle                 // rad, to starboard positive; instance 0 starboard or single, 1 port
	DistanceLog                 // m; through the water or over ground
	TripLog                     // m; through the water or over ground
	CurrentSet                  // rad; true or magnetic
	CurrentDrift                // m/s
	EngineSpeed                 // revolutions per minute; instance is the engine's number
	Altitude                    // m above mean sea level
	SatellitesUsed              // number
	HorizontalDilution          // HDOP, no unit
	quantityCount
)

var quantityNames = [quantityCount]string{
	"none", "time", "time-of-day", "position", "course-over-ground", "speed-over-ground", "heading", "deviation",
	"variation", "rate-of-turn", "depth", "speed-through-water", "wind-angle", "wind-speed", "water-temperature",
	"air-temperature", "pressure", "humidity", "pitch", "roll", "rudder-angle", "distance-log", "trip-log",
	"current-set", "current-drift", "engine-speed", "altitude", "satellites-used", "horizontal-dilution",
}

// String is the quantity's name in lower case.
func (q Quantity) String() string {
	if q < quantityCount {
		return quantityNames[q]
	}
	return fmt.Sprintf("quantity(%d)", uint8(q))
}

// Reference is what a value is relative to.
type Reference uint8

// The references.
const (
	ReferenceNone Reference = iota
	True                    // true north
	Magnetic                // magnetic north
	Apparent                // wind as felt aboard, from the bow
	Theoretical             // true wind, from the bow
	Transducer              // depth below the transducer
	Surface                 // depth below the surface
	Keel                    // depth below the keel
	Water                   // through the water
	Ground                  // over ground
	referenceCount
)

var referenceNames = [referenceCount]string{
	"none", "true", "magnetic", "apparent", "theoretical", "transducer", "surface", "keel", "water", "ground",
}

// String is the reference's name in lower case.
func (r Reference) String() string {
	if r < referenceCount {
		return referenceNames[r]
	}
	return fmt.Sprintf("reference(%d)", uint8(r))
}

// Mode is how a position, course or time came about, in the letters of the standard's mode field.
type Mode byte

// The modes (gpsd NMEA page).
const (
	ModeUnknown      Mode = 0
	ModeAutonomous   Mode = 'A'
	ModeDifferential Mode = 'D'
	ModeEstimated    Mode = 'E' // dead reckoning
	ModeFloat        Mode = 'F' // real-time kinematic, floating
	ModeManual       Mode = 'M' // typed in
	ModeNone         Mode = 'N' // no fix
	ModePrecise      Mode = 'P'
	ModeKinematic    Mode = 'R' // real-time kinematic, fixed
	ModeSimulated    Mode = 'S'
)

// Reading is one value of a sentence, finite always. A field that is empty, or that the sender declares invalid, gives
// a Reading that is not Available: its numbers mean nothing.
type Reading struct {
	Quantity  Quantity
	Reference Reference
	Available bool
	HasOffset bool // Offset is given
	Instance  uint8
	Mode      Mode
	Value     float64 // in the quantity's unit; the latitude of a Position
	Longitude float64 // of a Position
	Offset    float64 // of a Depth below the transducer in m: positive to the waterline, negative to the keel
}
