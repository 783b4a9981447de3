package nmea0183

import (
	"strings"

	nmea "github.com/adrianmo/go-nmea"
)

// newLibraryParser makes a parser that leaves the checksum to us and knows addresses in lower case.
func newLibraryParser() *nmea.SentenceParser {
	return &nmea.SentenceParser{
		CheckCRC:    func(nmea.BaseSentence, string) error { return nil },
		ParsePrefix: func(prefix string) (string, string, error) { return nmea.ParsePrefix(strings.ToUpper(prefix)) },
	}
}

// The functions below turn the library's structures into readings. The library writes 0 for an empty field, so whether a value is
// there is asked of the sentence's own fields.

// has reports whether field i holds a number. The library also takes hexadecimal, exponents and words for numbers; those are bad.
func (r *reader) has(i int) bool {
	_, ok := r.number(i)
	return ok
}

func fromHDM(r *reader, s nmea.Sentence) {
	m := s.(nmea.HDM)
	r.angle(Heading, Magnetic, m.Heading, r.has(0))
}

func fromTHS(r *reader, s nmea.Sentence) {
	m := s.(nmea.THS)
	r.angle(Heading, True, m.Heading, r.has(0) && m.Status != nmea.InvalidTHS)
}

func fromROT(r *reader, s nmea.Sentence) {
	m := s.(nmea.ROT)
	r.value(RateOfTurn, ReferenceNone, m.RateOfTurn*radian/60, r.has(0) && m.Valid)
}

func fromGNS(r *reader, s nmea.Sentence) {
	m := s.(nmea.GNS)
	mode := ModeUnknown
	for _, letter := range m.Mode { // one letter for each satellite system; the best counts
		if mode == ModeUnknown || mode == ModeNone {
			mode = Mode(letter[0])
		}
	}
	fix := mode != ModeNone
	r.timeOfDay(0, mode)
	r.put(Reading{Quantity: Position, Value: m.Latitude, Longitude: m.Longitude, Mode: mode,
		Available: fix && r.has(1) && r.has(3)})
	r.value(SatellitesUsed, ReferenceNone, float64(m.SVs), r.has(6))
	r.put(Reading{Quantity: HorizontalDilution, Value: m.HDOP, Mode: mode, Available: fix && r.has(7)})
	r.put(Reading{Quantity: Altitude, Value: m.Altitude, Mode: mode, Available: fix && r.has(8)})
}

func fromDBK(r *reader, s nmea.Sentence) {
	m := s.(nmea.DBK)
	r.depth(Keel, m.DepthFeet, m.DepthMeters, m.DepthFathoms)
}

func fromDBS(r *reader, s nmea.Sentence) {
	m := s.(nmea.DBS)
	r.depth(Surface, m.DepthFeet, m.DepthMeters, m.DepthFathoms)
}

// depth appends a depth given in feet, metres and fathoms in fields 0, 2 and 4; metres are preferred.
func (r *reader) depth(ref Reference, feet, metres, fathoms float64) {
	switch {
	case r.has(2):
		r.value(Depth, ref, metres, true)
	case r.has(0):
		r.value(Depth, ref, feet*foot, true)
	default:
		r.value(Depth, ref, fathoms*fathom, r.has(4))
	}
}

func fromVBW(r *reader, s nmea.Sentence) {
	m := s.(nmea.VBW)
	r.value(SpeedThroughWater, Water, m.LongitudinalWaterSpeedKnots*knot, r.has(0) && m.WaterSpeedStatusValid)
	// The ground speed is along the keel only, so it is no speed over ground.
}

func fromVLW(r *reader, s nmea.Sentence) {
	m := s.(nmea.VLW)
	r.value(DistanceLog, Water, m.TotalInWater*nauticalMile, r.has(0))
	r.value(TripLog, Water, m.SinceResetInWater*nauticalMile, r.has(2))
	if r.s.NumFields() > 4 {
		r.value(DistanceLog, Ground, m.TotalOnGround*nauticalMile, r.has(4))
		r.value(TripLog, Ground, m.SinceResetOnGround*nauticalMile, r.has(6))
	}
}

func fromVDR(r *reader, s nmea.Sentence) {
	m := s.(nmea.VDR)
	r.angle(CurrentSet, True, m.SetDegreesTrue, r.has(0))
	r.angle(CurrentSet, Magnetic, m.SetDegreesMagnetic, r.has(2))
	r.value(CurrentDrift, ReferenceNone, m.DriftKnots*knot, r.has(4))
}

func fromMWV(r *reader, s nmea.Sentence) {
	m := s.(nmea.MWV)
	ref := ReferenceNone
	switch m.Reference {
	case nmea.RelativeMWV:
		ref = Apparent
	case nmea.TheoreticalMWV:
		ref = Theoretical
	}
	unit := 0.0
	switch m.WindSpeedUnit {
	case nmea.UnitKMHMWV:
		unit = kmh
	case nmea.UnitMSMWV:
		unit = 1
	case nmea.UnitKnotsMWV:
		unit = knot
	case nmea.UnitSMilesHMWV:
		unit = statuteMile / 3600
	}
	known := ref != ReferenceNone && m.StatusValid
	r.angle(WindAngle, ref, m.WindAngle, known && r.has(0))
	r.value(WindSpeed, ref, m.WindSpeed*unit, known && unit > 0 && r.has(2))
}

func fromMWD(r *reader, s nmea.Sentence) {
	m := s.(nmea.MWD)
	r.angle(WindAngle, True, m.WindDirectionTrue, r.has(0))
	r.angle(WindAngle, Magnetic, m.WindDirectionMagnetic, r.has(2))
	if r.has(6) {
		r.value(WindSpeed, Ground, m.WindSpeedMeters, true)
	} else {
		r.value(WindSpeed, Ground, m.WindSpeedKnots*knot, r.has(4))
	}
}

func fromVWR(r *reader, s nmea.Sentence) {
	m := s.(nmea.VWR)
	r.oldWind(Apparent, m.MeasuredAngle, m.MeasuredDirectionBow, m.SpeedKnots, m.SpeedMPS, m.SpeedKPH)
}

func fromVWT(r *reader, s nmea.Sentence) {
	m := s.(nmea.VWT)
	r.oldWind(Theoretical, m.TrueAngle, m.TrueDirectionBow, m.SpeedKnots, m.SpeedMPS, m.SpeedKPH)
}

// oldWind appends wind given as 0 to 180 degrees left or right of the bow, and a speed in knots, m/s and km/h.
func (r *reader) oldWind(ref Reference, degrees float64, side string, knots, metres, kilometres float64) {
	if side == nmea.Left {
		degrees = -degrees
	}
	r.angle(WindAngle, ref, degrees, r.has(0) && (side != "" || degrees == 0))
	switch {
	case r.has(2):
		r.value(WindSpeed, ref, knots*knot, true)
	case r.has(4):
		r.value(WindSpeed, ref, metres, true)
	default:
		r.value(WindSpeed, ref, kilometres*kmh, r.has(6))
	}
}

func fromMTW(r *reader, s nmea.Sentence) {
	m := s.(nmea.MTW)
	r.value(WaterTemperature, ReferenceNone, m.Temperature+zeroCelsius, r.has(0))
}

func fromMTA(r *reader, s nmea.Sentence) {
	m := s.(nmea.MTA)
	r.value(AirTemperature, ReferenceNone, m.Temperature+zeroCelsius, r.has(0))
}

func fromMDA(r *reader, s nmea.Sentence) {
	m := s.(nmea.MDA)
	if r.has(2) {
		r.value(Pressure, ReferenceNone, m.PressureBar*bar, true)
	} else {
		r.value(Pressure, ReferenceNone, m.PressureInch*inchMercury, r.has(0))
	}
	r.value(AirTemperature, ReferenceNone, m.AirTemp+zeroCelsius, r.has(4))
	r.value(WaterTemperature, ReferenceNone, m.WaterTemp+zeroCelsius, r.has(6))
	r.value(Humidity, ReferenceNone, m.RelativeHum, r.has(8))
	r.angle(WindAngle, True, m.WindDirectionTrue, r.has(12))
	r.angle(WindAngle, Magnetic, m.WindDirectionMagnetic, r.has(14))
	if r.has(18) {
		r.value(WindSpeed, Ground, m.WindSpeedMeters, true)
	} else {
		r.value(WindSpeed, Ground, m.WindSpeedKnots*knot, r.has(16))
	}
}

func fromRPM(r *reader, s nmea.Sentence) {
	m := s.(nmea.RPM)
	if m.Source != nmea.SourceEngineRPM {
		return // a shaft's speed is not the engine's
	}
	valid := r.has(2) && r.has(1) && m.EngineNumber >= 0 && m.EngineNumber <= 253
	r.put(Reading{Quantity: EngineSpeed, Instance: uint8(m.EngineNumber & 0xFF), Value: m.SpeedRPM, Available: valid && m.Status != nmea.StatusInvalid})
}

// fromXDR reads the transducers whose names are in common use (common practice, no source). Names are free text, so the others are left alone.
func fromXDR(r *reader, s nmea.Sentence) {
	for i, x := range s.(nmea.XDR).Measurements {
		has := r.has(4*i + 1)
		name := strings.ToUpper(x.TransducerName)
		in := func(parts ...string) bool {
			for _, part := range parts {
				if strings.Contains(name, part) {
					return true
				}
			}
			return false
		}
		switch kind := x.TransducerType + x.Unit; {
		case kind == "AD" && in("PTCH", "PITCH"):
			r.value(Pitch, ReferenceNone, x.Value*radian, has)
		case kind == "AD" && in("ROLL", "HEEL"):
			r.value(Roll, ReferenceNone, x.Value*radian, has)
		case kind == "CC" && in("WATER", "WTMP"):
			r.value(WaterTemperature, ReferenceNone, x.Value+zeroCelsius, has)
		case kind == "CC" && in("AIR", "OUTSIDE"):
			r.value(AirTemperature, ReferenceNone, x.Value+zeroCelsius, has)
		case kind == "PB" && in("BARO"):
			r.value(Pressure, ReferenceNone, x.Value*bar, has)
		case kind == "PP" && in("BARO"):
			r.value(Pressure, ReferenceNone, x.Value, has)
		case kind == "HP" && in("AIR", "HUMI", "OUTSIDE"):
			r.value(Humidity, ReferenceNone, x.Value, has)
		}
	}
}
