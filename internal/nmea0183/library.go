package nmea0183

import (
	"strings"

	nmea "github.com/adrianmo/go-nmea"
)

// panics names the types at which go-nmea 1.10 panics, and the fields that they need.
var panics = map[string]int{"ALC": 4, "TXT": 3}

// byLibrary has go-nmea read a sentence of the type from fields that a layout has cleaned. The error is a Reason:
// ReasonValue when it refuses them, ReasonCrash when it panicked.
func byLibrary(name string, fields []string) (nmea.Sentence, error) {
	if len(fields) < panics[name] {
		return nil, ReasonValue
	}
	var text strings.Builder
	text.WriteString("$II" + name) // whose it is, is not the library's concern
	for _, f := range fields {
		text.WriteString("," + f)
	}
	return guard(func() (nmea.Sentence, error) {
		p := nmea.SentenceParser{CheckCRC: func(nmea.BaseSentence, string) error { return nil }}
		return p.Parse(text.String())
	})
}

// guard turns a refusal and a panic into a Reason. What is read before a refusal is not given: the rest would be zero.
func guard(read func() (nmea.Sentence, error)) (m nmea.Sentence, err error) {
	defer func() {
		if recover() != nil {
			m, err = nil, ReasonCrash
		}
	}()
	if m, err = read(); err != nil {
		return nil, ReasonValue
	}
	return m, nil
}

// The functions below turn go-nmea's structures into readings. It gives 0 for what is empty, so whether a value is
// there is asked of the fields. Where no source is named the form is that of the gpsd NMEA page.

// fromDBK and the like: depth in feet, f, metres, M, fathoms, F.
func fromDBK(r *reader, m nmea.DBK) { r.depth(Keel, m.DepthFeet, m.DepthMeters, m.DepthFathoms) }

func fromDBS(r *reader, m nmea.DBS) { r.depth(Surface, m.DepthFeet, m.DepthMeters, m.DepthFathoms) }

func fromDBT(r *reader, m nmea.DBT) { r.depth(Transducer, m.DepthFeet, m.DepthMeters, m.DepthFathoms) }

func (r *reader) depth(ref Reference, feet, metres, fathoms float64) {
	depth, has := r.first(given{2, metres, 1}, given{0, feet, foot}, given{4, fathoms, fathom})
	r.value(Depth, ref, depth, has && depth >= 0)
}

// fromDPT: depth below the transducer, offset, largest range; the depth may come alone.
func fromDPT(r *reader, m nmea.DPT) {
	r.put(Reading{Quantity: Depth, Reference: Transducer, Value: m.Depth, Available: r.has(0) && m.Depth >= 0,
		Offset: m.Offset, HasOffset: r.has(1)})
}

// fromGLL: latitude, N/S, longitude, E/W, time, status, mode; the oldest form ends after the longitude.
func fromGLL(r *reader, m nmea.GLL) {
	valid, mode := r.valid(5, m.FFAMode)
	r.position(0, m.Latitude, m.Longitude, mode, valid)
	if r.s.NumFields() > 4 {
		r.timeOfDay(m.Time, mode)
	}
}

// fromGNS: time, latitude, N/S, longitude, E/W, a mode letter for each satellite system, satellites, HDOP, altitude.
// The best mode counts.
func fromGNS(r *reader, m nmea.GNS) {
	mode := ModeUnknown
	for _, letter := range m.Mode {
		if mode == ModeUnknown || mode == ModeNone {
			mode = modeOf(letter)
		}
	}
	fix := mode != ModeNone
	r.timeOfDay(m.Time, mode)
	r.position(1, m.Latitude, m.Longitude, mode, fix)
	r.value(SatellitesUsed, ReferenceNone, float64(m.SVs), r.has(6))
	r.put(Reading{Quantity: HorizontalDilution, Value: m.HDOP, Mode: mode, Available: fix && r.has(7)})
	r.put(Reading{Quantity: Altitude, Value: m.Altitude, Mode: mode, Available: fix && r.has(8)})
}

// fromHDG: sensor heading, deviation, E/W, variation, E/W; what comes after the heading may be missing. The magnetic
// heading is the sensor's with the deviation added; an empty deviation is taken for none (common practice, no source).
func fromHDG(r *reader, m nmea.HDG) {
	deviation, known := r.eastward(1, m.Deviation, m.DeviationDirection)
	r.angle(Heading, Magnetic, wrapDegrees(m.Heading+deviation), r.has(0))
	if r.s.NumFields() > 2 {
		r.value(Deviation, ReferenceNone, deviation*radian, known)
	}
	if r.s.NumFields() > 4 {
		variation, known := r.eastward(3, m.Variation, m.VariationDirection)
		r.value(Variation, ReferenceNone, variation*radian, known)
	}
}

// fromHDM: heading, M.
func fromHDM(r *reader, m nmea.HDM) { r.angle(Heading, Magnetic, m.Heading, r.has(0)) }

// fromHDT: heading, T.
func fromHDT(r *reader, m nmea.HDT) { r.angle(Heading, True, m.Heading, r.has(0)) }

// fromMDA: pressure, I, pressure, B, air temperature, C, water temperature, C, relative humidity, absolute humidity,
// dew point, C, wind direction, T, direction, M, speed, N, speed, M for metres a second.
func fromMDA(r *reader, m nmea.MDA) {
	pressure, has := r.first(given{2, m.PressureBar, bar}, given{0, m.PressureInch, inchMercury})
	r.value(Pressure, ReferenceNone, pressure, has)
	r.value(AirTemperature, ReferenceNone, m.AirTemp+zeroCelsius, r.has(4))
	r.value(WaterTemperature, ReferenceNone, m.WaterTemp+zeroCelsius, r.has(6))
	r.value(Humidity, ReferenceNone, m.RelativeHum, r.has(8))
	r.bothNorths(WindAngle, 12, 14, m.WindDirectionTrue, m.WindDirectionMagnetic)
	speed, has := r.first(given{18, m.WindSpeedMeters, 1}, given{16, m.WindSpeedKnots, knot})
	r.value(WindSpeed, Ground, speed, has)
}

// fromMTA: air temperature, C.
func fromMTA(r *reader, m nmea.MTA) {
	r.value(AirTemperature, ReferenceNone, m.Temperature+zeroCelsius, r.has(0))
}

// fromMTW: water temperature, C.
func fromMTW(r *reader, m nmea.MTW) {
	r.value(WaterTemperature, ReferenceNone, m.Temperature+zeroCelsius, r.has(0))
}

// fromMWD: wind direction, T, direction, M, speed, N, speed, M for metres a second.
func fromMWD(r *reader, m nmea.MWD) {
	r.bothNorths(WindAngle, 0, 2, m.WindDirectionTrue, m.WindDirectionMagnetic)
	speed, has := r.first(given{6, m.WindSpeedMeters, 1}, given{4, m.WindSpeedKnots, knot})
	r.value(WindSpeed, Ground, speed, has)
}

// winds and speeds of a MWV sentence. Read-only.
var (
	winds  = map[string]Reference{nmea.RelativeMWV: Apparent, nmea.TheoreticalMWV: Theoretical}
	speeds = map[string]float64{nmea.UnitKMHMWV: kmh, nmea.UnitMSMWV: 1, nmea.UnitKnotsMWV: knot,
		nmea.UnitSMilesHMWV: statuteMile / 3600}
)

// fromMWV: wind angle from the bow, R apparent or T true, speed, its unit, status.
func fromMWV(r *reader, m nmea.MWV) {
	known := m.StatusValid && r.has(1)
	r.angle(WindAngle, winds[m.Reference], m.WindAngle, known && r.has(0))
	r.value(WindSpeed, winds[m.Reference], m.WindSpeed*speeds[m.WindSpeedUnit], known && r.has(2) && r.has(3))
}

// fromRMC: time, status, latitude, N/S, longitude, E/W, speed, course, date, variation, E/W, mode. What comes after the
// course may be missing.
func fromRMC(r *reader, m nmea.RMC) {
	valid, mode := r.valid(1, m.FFAMode)
	r.dateTime(m.Date, m.Time, mode, valid)
	r.position(2, m.Latitude, m.Longitude, mode, valid)
	r.put(Reading{Quantity: SpeedOverGround, Value: m.Speed * knot, Available: r.has(6) && valid, Mode: mode})
	r.angle(CourseOverGround, True, m.Course, r.has(7) && valid)
	if r.s.NumFields() > 10 {
		r.value(Variation, ReferenceNone, m.Variation*radian, valid && r.has(9) && (r.has(10) || m.Variation == 0))
	}
}

// fromROT: rate of turn in degrees a minute, status.
func fromROT(r *reader, m nmea.ROT) {
	r.value(RateOfTurn, ReferenceNone, m.RateOfTurn*radian/60, r.has(0) && m.Valid)
}

// fromRPM: E engine or S shaft, its number, revolutions a minute, pitch, status. A shaft's speed is not the engine's.
func fromRPM(r *reader, m nmea.RPM) {
	if m.Source != nmea.SourceEngineRPM {
		return
	}
	engine, known := r.within(1, m.EngineNumber, 0, 253)
	status := m.Status == nmea.StatusValid || !r.s.Has(4)
	r.put(Reading{Quantity: EngineSpeed, Instance: uint8(engine), Value: m.SpeedRPM,
		Available: r.has(2) && known && status})
}

// fromRSA: starboard or single rudder angle, status, port angle, status; the second pair may be missing.
func fromRSA(r *reader, m nmea.RSA) {
	r.rudder(0, m.StarboardRudderAngle, m.StarboardRudderAngleStatus)
	if r.s.NumFields() > 2 {
		r.rudder(1, m.PortRudderAngle, m.PortRudderAngleStatus)
	}
}

func (r *reader) rudder(instance uint8, degrees float64, status string) {
	turned := degrees >= -180 && degrees <= 180
	r.bad = r.bad || !turned
	r.put(Reading{Quantity: RudderAngle, Instance: instance, Value: degrees * radian,
		Available: turned && r.has(2*int(instance)) && status == nmea.StatusValid})
}

// fromTHS: heading and a mode: autonomous, estimated, manual, simulated or not valid.
func fromTHS(r *reader, m nmea.THS) {
	r.angle(Heading, True, m.Heading, r.has(0) && m.Status != nmea.InvalidTHS)
}

// fromVBW: speed through water along the keel, across it, status, and the same over ground: along the keel only, so
// that is no speed over ground.
func fromVBW(r *reader, m nmea.VBW) {
	r.value(SpeedThroughWater, Water, m.LongitudinalWaterSpeedKnots*knot, r.has(0) && m.WaterSpeedStatusValid)
}

// fromVDR: set, T, set, M, drift, N.
func fromVDR(r *reader, m nmea.VDR) {
	r.bothNorths(CurrentSet, 0, 2, m.SetDegreesTrue, m.SetDegreesMagnetic)
	r.value(CurrentDrift, ReferenceNone, m.DriftKnots*knot, r.has(4))
}

// fromVLW: distance through water, N, the same since reset, N, and from edition 3.0 on the same over ground.
func fromVLW(r *reader, m nmea.VLW) {
	r.value(DistanceLog, Water, m.TotalInWater*nauticalMile, r.has(0))
	r.value(TripLog, Water, m.SinceResetInWater*nauticalMile, r.has(2))
	if r.s.NumFields() > 4 {
		r.value(DistanceLog, Ground, m.TotalOnGround*nauticalMile, r.has(4))
		r.value(TripLog, Ground, m.SinceResetOnGround*nauticalMile, r.has(6))
	}
}

// fromVWR: apparent wind angle, L or R of the bow, speed, N, speed, M, speed, K.
func fromVWR(r *reader, m nmea.VWR) {
	r.oldWind(Apparent, m.MeasuredAngle, m.MeasuredDirectionBow, m.SpeedKnots, m.SpeedMPS, m.SpeedKPH)
}

// fromVWT: true wind likewise.
func fromVWT(r *reader, m nmea.VWT) {
	r.oldWind(Theoretical, m.TrueAngle, m.TrueDirectionBow, m.SpeedKnots, m.SpeedMPS, m.SpeedKPH)
}

func (r *reader) oldWind(ref Reference, degrees float64, side string, knots, metres, kilometres float64) {
	ahead := degrees == 0 && !r.s.Has(1) // needs no side
	if side == nmea.Left {
		degrees = -degrees
	}
	r.angle(WindAngle, ref, degrees, r.has(0) && (side != "" || ahead))
	speed, has := r.first(given{2, knots, knot}, given{4, metres, 1}, given{6, kilometres, kmh})
	r.value(WindSpeed, ref, speed, has)
}

// transducers are the names in common use (common practice, no source), by type and unit; the first that fits counts.
// Read-only.
var transducers = []struct {
	kind     string // type and unit
	names    []string
	quantity Quantity
	unit     float64
	zero     float64
}{
	{"AD", []string{"PTCH", "PITCH"}, Pitch, radian, 0},
	{"AD", []string{"ROLL", "HEEL"}, Roll, radian, 0},
	{"CC", []string{"WATER", "WTMP"}, WaterTemperature, 1, zeroCelsius},
	{"CC", []string{"AIR", "OUTSIDE"}, AirTemperature, 1, zeroCelsius},
	{"PB", []string{"BARO"}, Pressure, bar, 0},
	{"PP", []string{"BARO"}, Pressure, 1, 0},
	{"HP", []string{"AIR", "HUMI", "OUTSIDE"}, Humidity, 1, 0},
}

// fromXDR: groups of a transducer's type, value, unit and name. Names are free text, so what is not in common use is
// left alone.
func fromXDR(r *reader, m nmea.XDR) {
	for i, x := range m.Measurements {
		for _, t := range transducers {
			if x.TransducerType+x.Unit == t.kind && containsAny(x.TransducerName, t.names) {
				r.value(t.quantity, ReferenceNone, x.Value*t.unit+t.zero, r.has(4*i+1))
				break
			}
		}
	}
}

// fromZDA: time, day, month, year, zone hours, zone minutes; the zone may be missing.
func fromZDA(r *reader, m nmea.ZDA) {
	day, okDay := r.within(1, m.Day, 1, 31)
	month, okMonth := r.within(2, m.Month, 1, 12)
	year, okYear := r.within(3, m.Year, 1980, 9999)
	t, valid := moment(year, month, day, seconds(m.Time))
	known := r.has(0) && okDay && okMonth && okYear
	r.bad = r.bad || known && !valid
	r.value(Time, ReferenceNone, t, known && valid)
}
