package render

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"muster/internal/nmea0183"
)

// InUnit writes a number of an SI unit, or of degrees of a position, in the unit used on boats; "" when that is the SI unit.
func InUnit(n float64, unit string) string {
	switch unit {
	case "rad":
		return fmt.Sprintf("%.1f°", n*180/math.Pi)
	case "rad/s":
		return fmt.Sprintf("%.1f°/min", n*180/math.Pi*60)
	case "K":
		return fmt.Sprintf("%.1f °C", n-273.15)
	case "Pa":
		if n >= lowAir && n <= highAir {
			return fmt.Sprintf("%.1f hPa", n/100)
		}
		return fmt.Sprintf("%.2f bar", n/1e5)
	case "m/s":
		return fmt.Sprintf("%.2f kn", n*3600/1852)
	case "deg": // seven digits are a centimetre, however fine the field is
		return strconv.FormatFloat(math.Round(n*1e7)/1e7, 'f', -1, 64) + "°"
	case "m":
		return strconv.FormatFloat(math.Round(n*1e3)/1e3, 'f', -1, 64) + " m"
	}
	return ""
}

// Of the air outside, the pressure is in hPa; of a machine, in bar. Air pressure reduced to sea level is within 870 and 1085 hPa
// (WMO records); of a gauge, which counts from it, nothing is near.
const lowAir, highAir = 85_000, 110_000

// Gauge writes a pressure of a machine in Pa, in bar.
func Gauge(n float64) string { return fmt.Sprintf("%.2f bar", n/1e5) }

// Latitude writes degrees in degrees and minutes: 38° 42.1800′ N. The last digit is 0.2 m.
func Latitude(degrees float64) string { return minutes(degrees, 2, "N", "S") }

// Longitude is Latitude for a longitude: 009° 08.4000′ W.
func Longitude(degrees float64) string { return minutes(degrees, 3, "E", "W") }

func minutes(degrees float64, width int, positive, negative string) string {
	side := positive
	if degrees < 0 {
		side = negative
	}
	const parts = 60 * 10_000
	all := int64(math.Round(math.Abs(degrees) * parts))
	return fmt.Sprintf("%0*d° %07.4f′ %s", width, all/parts, float64(all%parts)/10_000, side)
}

// ReadingName is the quantity of a reading with its reference.
func ReadingName(r *nmea0183.Reading) string {
	name := strings.ReplaceAll(r.Quantity.String(), "-", " ")
	if r.Reference != nmea0183.ReferenceNone {
		name += ", " + r.Reference.String()
	}
	return name
}

// ReadingUnits are the units of the quantities of sentences, as the library gives them; a quantity that is not here is a bare number.
var ReadingUnits = map[nmea0183.Quantity]string{
	nmea0183.CourseOverGround: "rad", nmea0183.Heading: "rad", nmea0183.Deviation: "rad", nmea0183.Variation: "rad", nmea0183.WindAngle: "rad",
	nmea0183.Pitch: "rad", nmea0183.Roll: "rad", nmea0183.RudderAngle: "rad", nmea0183.CurrentSet: "rad", nmea0183.RateOfTurn: "rad/s",
	nmea0183.SpeedOverGround: "m/s", nmea0183.SpeedThroughWater: "m/s", nmea0183.WindSpeed: "m/s", nmea0183.CurrentDrift: "m/s",
	nmea0183.Depth: "m", nmea0183.DistanceLog: "m", nmea0183.TripLog: "m", nmea0183.Altitude: "m",
	nmea0183.WaterTemperature: "K", nmea0183.AirTemperature: "K", nmea0183.Pressure: "Pa", nmea0183.Humidity: "%", nmea0183.EngineSpeed: "1/min",
}

// ReadingText is a reading in the unit used on boats.
func ReadingText(r *nmea0183.Reading) string {
	switch r.Quantity {
	case nmea0183.Position:
		return Latitude(r.Value) + ", " + Longitude(r.Longitude)
	case nmea0183.Time:
		return time.UnixMilli(int64(math.Round(r.Value * 1000))).UTC().Format("2006-01-02 15:04:05.000 UTC")
	case nmea0183.TimeOfDay:
		return time.UnixMilli(int64(math.Round(r.Value * 1000))).UTC().Format("15:04:05.000 UTC")
	}
	unit := ReadingUnits[r.Quantity]
	if text := InUnit(r.Value, unit); text != "" {
		return text
	}
	return strings.TrimSpace(strconv.FormatFloat(math.Round(r.Value*1e3)/1e3, 'f', -1, 64) + " " + unit)
}
