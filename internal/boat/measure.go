package boat

import (
	"encoding/binary"
	"math"
	"time"

	"muster/internal/event"
	"muster/internal/nmea0183"
	"muster/internal/quantity"
)

// take reads what a message measures. The payload may be of any length.
type take func(s *source, st *stream, p []byte, at event.Time)

// takes are the messages that measure something, by PGN. Places and units are those of the message set's table of fields.
var takes = map[uint32]take{
	126992: takeSystemTime,
	127245: func(s *source, st *stream, p []byte, at event.Time) {
		if v, ok := int16At(p, 4, 1e-4); ok {
			if n := st.key.instance; n == 0 || n > 252 { // a second rudder has an angle of its own
				s.put(RudderAngle, v, 0, at)
			}
		}
	},
	127250: takeHeading,
	127251: func(s *source, _ *stream, p []byte, at event.Time) {
		if raw, ok := int32At(p, 1); ok {
			s.put(RateOfTurn, float64(raw)/32e6, 0, at)
		}
	},
	127257: takeAttitude,
	127258: func(s *source, _ *stream, p []byte, at event.Time) {
		if v, ok := int16At(p, 4, 1e-4); ok {
			s.vary(v, at)
		}
	},
	127508: takeVoltage(1, 0.01),
	127513: takeNominal,
	127751: takeVoltage(2, 0.1),
	128259: func(s *source, _ *stream, p []byte, at event.Time) {
		if v, ok := uint16At(p, 1, 0.01); ok {
			s.put(SpeedThroughWater, v, 0, at)
		}
	},
	128267: takeDepth,
	129025: func(s *source, _ *stream, p []byte, at event.Time) {
		lat, ok := int32At(p, 0)
		lon, too := int32At(p, 4)
		s.place(float64(lat)*1e-7, float64(lon)*1e-7, ok && too, at)
	},
	129026: takeCourse,
	129029: takeFix,
	129033: func(s *source, _ *stream, p []byte, at event.Time) { s.clock(p, 0, at) },
	130306: takeWind,
	130310: func(s *source, _ *stream, p []byte, at event.Time) {
		s.linear(WaterTemperature, p, 1, 0.01, at)
		s.linear(Pressure, p, 5, 100, at)
	},
	130311: func(s *source, _ *stream, p []byte, at event.Time) {
		if len(p) > 1 && p[1]&0x3F == seaTemperature {
			s.linear(WaterTemperature, p, 2, 0.01, at)
		}
		s.linear(Pressure, p, 6, 100, at)
		if v, ok := int16At(p, 4, 1.0/250); ok && p[1]>>6 == outsideHumidity {
			s.put(Humidity, v, 0, at)
		}
	},
	130312: func(s *source, st *stream, p []byte, at event.Time) {
		if v, ok := uint16At(p, 3, 0.01); ok && p[2] == seaTemperature {
			s.instance(WaterTemperature, st, v, at)
		}
	},
	130313: func(s *source, st *stream, p []byte, at event.Time) {
		if v, ok := int16At(p, 3, 1.0/250); ok && p[2] == outsideHumidity {
			s.instance(Humidity, st, v, at)
		}
	},
	130314: func(s *source, st *stream, p []byte, at event.Time) {
		if v, ok := int32At(p, 3); ok && p[2] == atmosphere {
			s.instance(Pressure, st, float64(v)*0.1, at)
		}
	},
	130316: func(s *source, st *stream, p []byte, at event.Time) {
		if len(p) < 6 || p[2] != seaTemperature {
			return
		}
		if raw := uint32(p[3]) | uint32(p[4])<<8 | uint32(p[5])<<16; raw < 0xFFFFFD {
			s.instance(WaterTemperature, st, float64(raw)*0.001, at)
		}
	},
}

// Codes of what is measured, among the temperature, pressure and humidity sources of the message set.
const (
	seaTemperature  = 0
	atmosphere      = 0
	outsideHumidity = 1
)

// The readers of a field report whether it is there and available: the three highest values of a field are no values.

func uint16At(p []byte, at int, unit float64) (float64, bool) {
	if len(p) < at+2 {
		return 0, false
	}
	raw := binary.LittleEndian.Uint16(p[at:])
	return float64(raw) * unit, raw < 0xFFFD
}

func int16At(p []byte, at int, unit float64) (float64, bool) {
	if len(p) < at+2 {
		return 0, false
	}
	raw := int16(binary.LittleEndian.Uint16(p[at:]))
	return float64(raw) * unit, raw < 0x7FFD
}

func int32At(p []byte, at int) (int32, bool) {
	if len(p) < at+4 {
		return 0, false
	}
	raw := int32(binary.LittleEndian.Uint32(p[at:]))
	return raw, raw < 0x7FFFFFFD
}

func int64At(p []byte, at int) (int64, bool) {
	if len(p) < at+8 {
		return 0, false
	}
	raw := int64(binary.LittleEndian.Uint64(p[at:]))
	return raw, raw < math.MaxInt64-2
}

func (s *source) linear(m Measure, p []byte, at int, unit float64, t event.Time) {
	if v, ok := uint16At(p, at, unit); ok {
		s.put(m, v, 0, t)
	}
}

// instance takes a value of one of a device's several sensors or rudders: the lowest instance received represents the
// device, so that two of them never look like one that jumps.
func (s *source) instance(m Measure, st *stream, v float64, at event.Time) {
	n := st.key.instance
	if x := s.series[m]; x != nil && n > x.instance && at.Sub(x.Last().At) < time.Minute {
		return
	}
	s.put(m, v, 0, at)
	if x := s.series[m]; x != nil {
		x.instance = n
	}
}

func (s *source) place(lat, lon float64, ok bool, at event.Time) {
	if ok && math.Abs(lat) <= 90 && math.Abs(lon) <= 180 {
		s.put(Position, lat, lon, at)
	}
}

// clock takes a date in days and a time of day in 0.1 ms from the payload.
func (s *source) clock(p []byte, at int, t event.Time) {
	if len(p) < at+6 {
		return
	}
	days, clock := binary.LittleEndian.Uint16(p[at:]), binary.LittleEndian.Uint32(p[at+2:])
	if days < 0xFFFD && clock < 0xFFFFFFFD {
		s.time(event.Time(int64(days)*int64(24*time.Hour)+int64(clock)*1e5), t)
	}
}

// time takes satellite time, received at t.
func (s *source) time(gnss, t event.Time) { s.put(ClockOffset, gnss.Sub(t).Seconds(), 0, t) }

// vary takes the magnetic variation. That of one source holds for the whole boat while it comes: made true by it, magnetic directions keep
// their differences, also while another source has another variation.
func (s *source) vary(v float64, at event.Time) {
	s.put(Variation, v, 0, at)
	if b := &s.net.boat.sources; b.variationOf == nil || b.variationOf == s || at.Sub(b.variationAt) > time.Minute {
		b.variation, b.variationAt, b.variationOf = v, at, s
	}
}

// direction takes a direction; a magnetic one is made true while the variation is known.
func (s *source) direction(trueNorth, magnetic Measure, v float64, isMagnetic bool, at event.Time) {
	b := &s.net.boat.sources
	switch {
	case !isMagnetic:
		s.put(trueNorth, v, 0, at)
	case b.variationAt != 0:
		s.put(trueNorth, v+b.variation, 0, at)
	case magnetic != trueNorth:
		s.put(magnetic, v, 0, at)
	}
	if x := s.series[trueNorth]; x != nil {
		x.magnetic = isMagnetic
	}
}

// References of directions, and those of the wind.
const (
	referenceTrue     = 0
	referenceMagnetic = 1

	windTrueNorth     = 0
	windMagneticNorth = 1
	windApparent      = 2
	windGround        = 3 // from the bow
	windWater         = 4
)

func takeSystemTime(s *source, _ *stream, p []byte, at event.Time) {
	const gps, glonass = 0, 1
	if len(p) < 2 || p[1]&0xF != gps && p[1]&0xF != glonass {
		return
	}
	s.clock(p, 2, at)
}

func takeHeading(s *source, _ *stream, p []byte, at event.Time) {
	v, ok := uint16At(p, 1, 1e-4)
	if len(p) < 8 || !ok {
		return
	}
	if variation, ok := int16At(p, 5, 1e-4); ok {
		s.vary(variation, at)
	}
	ref := p[7] & 3
	if ref == referenceMagnetic {
		if deviation, ok := int16At(p, 3, 1e-4); ok {
			v += deviation
		}
	}
	if ref <= referenceMagnetic {
		s.direction(HeadingTrue, HeadingMagnetic, v, ref == referenceMagnetic, at)
	}
}

func takeAttitude(s *source, _ *stream, p []byte, at event.Time) {
	if v, ok := int16At(p, 3, 1e-4); ok {
		s.put(Pitch, v, 0, at)
	}
	if v, ok := int16At(p, 5, 1e-4); ok {
		s.put(Roll, v, 0, at)
	}
}

func takeVoltage(at int, unit float64) take {
	return func(_ *source, st *stream, p []byte, t event.Time) {
		if v, ok := int16At(p, at, unit); ok {
			if st.volts == nil {
				st.volts = &quantity.History{}
			}
			st.volts.Put(quantity.Step{At: t, Value: v})
		}
	}
}

// takeNominal reads nominal voltage and chemistry of a battery (127513): 4 bits each. The list that we have prints 62 V for code 4; 36 V fits the series,
// which is from memory and unconfirmed.
func takeNominal(_ *source, st *stream, p []byte, _ event.Time) {
	volts := [...]float64{6, 12, 24, 32, 36, 42, 48}
	if len(p) >= 3 && int(p[2]&0x0F) < len(volts) {
		st.nominalVolts = volts[p[2]&0x0F]
	}
	if len(p) >= 3 && p[2]>>4 < 14 { // 14 is an error, 15 not available
		st.chemistry = p[2]>>4 + 1
	}
}

func takeDepth(s *source, _ *stream, p []byte, at event.Time) {
	if len(p) < 5 {
		return
	}
	raw := binary.LittleEndian.Uint32(p[1:])
	if raw >= 0xFFFFFFFD {
		return
	}
	offset, ok := int16At(p, 5, 1e-3)
	if offset == -1e-3 { // all ones: sounders are known that send it for an offset that is not available
		ok = false
	}
	s.depth(float64(raw)*0.01, offset, ok, at)
}

// depth takes a depth below the transducer: the offset gives where that is, positive from the waterline and negative
// from the keel.
func (s *source) depth(v, offset float64, known bool, at event.Time) {
	switch {
	case known && offset > 0:
		s.put(DepthSurface, v+offset, 0, at)
	case known && offset < 0:
		s.put(DepthKeel, v+offset, 0, at)
	default:
		s.put(DepthTransducer, v, 0, at)
	}
}

func takeCourse(s *source, _ *stream, p []byte, at event.Time) {
	s.linear(SpeedOverGround, p, 4, 0.01, at)
	if v, ok := uint16At(p, 2, 1e-4); ok {
		if ref := p[1] & 3; ref <= referenceMagnetic {
			s.direction(CourseTrue, CourseMagnetic, v, ref == referenceMagnetic, at)
		}
	}
}

func takeFix(s *source, _ *stream, p []byte, at event.Time) {
	if len(p) < 32 || p[31]>>4 == 0 { // no fix
		return
	}
	s.clock(p, 1, at)
	lat, ok := int64At(p, 7)
	lon, too := int64At(p, 15)
	s.place(float64(lat)*1e-16, float64(lon)*1e-16, ok && too, at)
}

func takeWind(s *source, _ *stream, p []byte, at event.Time) {
	if len(p) < 6 {
		return
	}
	speed, hasSpeed := uint16At(p, 1, 0.01)
	angle, hasAngle := uint16At(p, 3, 1e-4)
	var where, how Measure
	switch p[5] & 7 {
	case windTrueNorth, windMagneticNorth:
		where, how = GroundWindDirection, GroundWindSpeed
	case windApparent:
		where, how = ApparentWindAngle, ApparentWindSpeed
	case windGround:
		where, how = GroundWindAngle, GroundWindSpeed
	case windWater:
		where, how = TrueWindAngle, TrueWindSpeed
	default:
		return
	}
	if hasSpeed {
		s.put(how, speed, 0, at)
	}
	if hasAngle {
		s.direction(where, where, angle, p[5]&7 == windMagneticNorth, at)
	}
}

// measureSentence takes what a sentence measures.
func (n *network) measureSentence(of *sentence, p *nmea0183.Sentence, at event.Time) {
	l, t := &n.talkers, of.talker
	l.readings, _ = nmea0183.Read(p, l.readings[:0]) // what could be read of a damaged one holds
	if t.source == nil {
		t.source = &source{net: n, t: t}
	}
	s := t.source
	for i := range l.readings {
		if r := &l.readings[i]; r.Available && r.Quantity == nmea0183.Variation && r.Mode != nmea0183.ModeNone {
			s.vary(r.Value, at)
		}
	}
	for i := range l.readings {
		if r := &l.readings[i]; r.Available {
			of.gave(r.Quantity, at)
			if read := reads[r.Quantity]; read != nil {
				read(s, r, at)
			}
		}
	}
}

// reads are what becomes of the quantities of sentences.
var reads = map[nmea0183.Quantity]func(s *source, r *nmea0183.Reading, at event.Time){
	nmea0183.Position:          readPosition,
	nmea0183.CourseOverGround:  readDirection(CourseTrue, CourseMagnetic),
	nmea0183.SpeedOverGround:   readValue(SpeedOverGround),
	nmea0183.Heading:           readDirection(HeadingTrue, HeadingMagnetic), // its deviation is in it
	nmea0183.RateOfTurn:        readValue(RateOfTurn),
	nmea0183.Pitch:             readValue(Pitch),
	nmea0183.Roll:              readValue(Roll),
	nmea0183.Depth:             readDepth,
	nmea0183.SpeedThroughWater: readValue(SpeedThroughWater),
	nmea0183.WindAngle:         readWindAngle,
	nmea0183.WindSpeed:         readWindSpeed,
	nmea0183.WaterTemperature:  readValue(WaterTemperature),
	nmea0183.Pressure:          readValue(Pressure),
	nmea0183.Humidity:          readValue(Humidity),
	nmea0183.RudderAngle:       readRudder,
	nmea0183.Time:              readTime,
}

func readValue(m Measure) func(*source, *nmea0183.Reading, event.Time) {
	return func(s *source, r *nmea0183.Reading, at event.Time) { s.put(m, r.Value, 0, at) }
}

func readDirection(trueNorth, magnetic Measure) func(*source, *nmea0183.Reading, event.Time) {
	return func(s *source, r *nmea0183.Reading, at event.Time) {
		s.direction(trueNorth, magnetic, r.Value, r.Reference == nmea0183.Magnetic, at)
	}
}

func readPosition(s *source, r *nmea0183.Reading, at event.Time) {
	s.place(r.Value, r.Longitude, true, at)
}

func readTime(s *source, r *nmea0183.Reading, at event.Time) { s.time(event.Time(r.Value*1e9), at) }

func readDepth(s *source, r *nmea0183.Reading, at event.Time) {
	switch r.Reference {
	case nmea0183.Surface:
		s.put(DepthSurface, r.Value, 0, at)
	case nmea0183.Keel:
		s.put(DepthKeel, r.Value, 0, at)
	default:
		s.depth(r.Value, r.Offset, r.HasOffset, at)
	}
}

func readWindAngle(s *source, r *nmea0183.Reading, at event.Time) {
	switch r.Reference {
	case nmea0183.Apparent:
		s.put(ApparentWindAngle, r.Value, 0, at)
	case nmea0183.Theoretical:
		s.put(TrueWindAngle, r.Value, 0, at)
	default:
		s.direction(GroundWindDirection, GroundWindDirection, r.Value, r.Reference == nmea0183.Magnetic, at)
	}
}

func readWindSpeed(s *source, r *nmea0183.Reading, at event.Time) {
	switch r.Reference {
	case nmea0183.Apparent:
		s.put(ApparentWindSpeed, r.Value, 0, at)
	case nmea0183.Theoretical:
		s.put(TrueWindSpeed, r.Value, 0, at)
	default:
		s.put(GroundWindSpeed, r.Value, 0, at)
	}
}

func readRudder(s *source, r *nmea0183.Reading, at event.Time) {
	if r.Instance == 0 {
		s.put(RudderAngle, r.Value, 0, at)
	}
}
