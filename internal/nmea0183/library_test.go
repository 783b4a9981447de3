package nmea0183

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	nmea "github.com/adrianmo/go-nmea"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

// readByLibrary reads a sentence with go-nmea, and false when it takes the sentence for a wrong one.
func readByLibrary(s *Sentence, line string, from func(*reader, nmea.Sentence)) ([]Reading, bool) {
	sentence, err := nmea.Parse(line)
	if err != nil {
		return nil, false
	}
	r := reader{s: s}
	from(&r, sentence)
	return r.out, true
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
	r.libraryDepth(Keel, m.DepthFeet, m.DepthMeters, m.DepthFathoms)
}

func fromDBS(r *reader, s nmea.Sentence) {
	m := s.(nmea.DBS)
	r.libraryDepth(Surface, m.DepthFeet, m.DepthMeters, m.DepthFathoms)
}

// libraryDepth appends a depth given in feet, metres and fathoms in fields 0, 2 and 4; metres are preferred.
func (r *reader) libraryDepth(ref Reference, feet, metres, fathoms float64) {
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
	r.libraryWind(Apparent, m.MeasuredAngle, m.MeasuredDirectionBow, m.SpeedKnots, m.SpeedMPS, m.SpeedKPH)
}

func fromVWT(r *reader, s nmea.Sentence) {
	m := s.(nmea.VWT)
	r.libraryWind(Theoretical, m.TrueAngle, m.TrueDirectionBow, m.SpeedKnots, m.SpeedMPS, m.SpeedKPH)
}

// libraryWind appends wind given as 0 to 180 degrees left or right of the bow, and a speed in knots, m/s and km/h.
func (r *reader) libraryWind(ref Reference, degrees float64, side string, knots, metres, kilometres float64) {
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

// ofLibrary are the types that the library reads as we do, with their fields: n a number, s one with a sign, d a depth, i a whole one, t a
// time, y and x latitude and longitude with their letters, m the letters of a GNS sentence, @ a transducer with its value, unit and name, and
// any other word one of its letters. Every field may be empty too.
var ofLibrary = []struct {
	name, fields string
	from         func(*reader, nmea.Sentence)
}{
	{"DBK", "d f d M d F", fromDBK},
	{"DBS", "d f d M d F", fromDBS},
	{"GNS", "t y x m i n s s n i", fromGNS},
	{"HDM", "n M", fromHDM},
	{"MDA", "n I n B s C s C n n s C n T n M n N n M", fromMDA},
	{"MTA", "s C", fromMTA},
	{"MTW", "s C", fromMTW},
	{"MWD", "n T n M n N n M", fromMWD},
	{"MWV", "n RT n KMNS AV", fromMWV},
	{"ROT", "s AV", fromROT},
	{"RPM", "ES i n n AV", fromRPM},
	{"THS", "n AEMSV", fromTHS},
	{"VBW", "s s AV s s AV", fromVBW},
	{"VDR", "n T n M n N", fromVDR},
	{"VLW", "n N n N n N n N", fromVLW},
	{"VWR", "n LR n N n M n K", fromVWR},
	{"VWT", "n LR n N n M n K", fromVWT},
	{"XDR", "@ @ @", fromXDR},
}

// field draws one field of a sentence, with its letter where that belongs to it.
func field(t *rapid.T, kind string) string {
	number := func(low, high float64) string {
		x := rapid.Float64Range(low, high).Draw(t, kind)
		return fmt.Sprintf("%.*f", rapid.IntRange(0, 4).Draw(t, "places"), x)
	}
	half := func(degrees int, layout, letters string) string {
		d, m := rapid.IntRange(0, degrees-1).Draw(t, "degrees"), rapid.Float64Range(0, 59.99).Draw(t, "minutes")
		return fmt.Sprintf(layout, d, m) + "," + string(letters[rapid.IntRange(0, 1).Draw(t, "half")])
	}
	switch {
	case kind == "y":
		return half(90, "%02d%07.4f", "NS")
	case kind == "x":
		return half(180, "%03d%07.4f", "EW")
	case kind == "@":
		of := rapid.SampledFrom([]string{"A,%s,D,PTCH", "A,%s,D,Pitch", "A,%s,D,ROLL", "A,%s,D,heel_1", "C,%s,C,WTMP", "C,%s,C,WATER_T", "C,%s,C,ENV_OUTSIDE_T",
			"C,%s,C,Air", "P,%s,B,Barometer", "P,%s,P,BARO", "H,%s,P,HUMI_0", "U,%s,V,house", "P,%s,P,BAR", "G,%s,,MAGX", "A,%s,C,PTCH"}).Draw(t, kind)
		return fmt.Sprintf(of, field(t, "s"))
	case rapid.IntRange(0, 5).Draw(t, "empty") == 0:
		return ""
	case kind == "n":
		return number(0, 360)
	case kind == "d":
		return number(0, 99)
	case kind == "s":
		return number(-90, 90)
	case kind == "i":
		return fmt.Sprint(rapid.IntRange(0, 12).Draw(t, kind))
	case kind == "t":
		return fmt.Sprintf("%02d%02d%02d.00", rapid.IntRange(0, 23).Draw(t, "h"), rapid.IntRange(0, 59).Draw(t, "m"), rapid.IntRange(0, 59).Draw(t, "s"))
	case kind == "m":
		return rapid.StringMatching(`[NADPRFEMS]{1,3}`).Draw(t, kind)
	}
	return string(kind[rapid.IntRange(0, len(kind)-1).Draw(t, kind)])
}

// TestAgreesWithLibrary holds what is read of a type to what go-nmea reads of it, wherever that takes the sentence.
func TestAgreesWithLibrary(t *testing.T) {
	for _, of := range ofLibrary {
		t.Run(of.name, func(t *testing.T) {
			taken, tried, available := 0, 0, 0
			rapid.Check(t, func(t *rapid.T) {
				var fields []string
				for kind := range strings.FieldsSeq(of.fields) {
					fields = append(fields, field(t, kind))
				}
				line := string(Append(nil, '$', "II"+of.name+","+strings.Join(fields, ",")))
				var s Sentence
				if _, err := Parse([]byte(line), &s); err != nil {
					t.Fatal(err)
				}
				var v Values
				got, err := v.Read(&s, nil)
				tried++
				want, ok := readByLibrary(&s, line, of.from)
				if !ok {
					return
				}
				taken++
				for _, r := range got {
					if r.Available {
						available++
					}
				}
				if diff := cmp.Diff(want, got, cmpopts.EquateApprox(1e-12, 1e-12)); diff != "" || err != nil {
					t.Fatalf("%s: %v (-library +own):\n%s", line, err, diff)
				}
			})
			// One sentence of RPM in five holds a value: of a hundred the least number to be asked is one.
			if taken*10 < tried*9 || available == 0 {
				t.Errorf("the library took %d of %d sentences, with %d values in them", taken, tried, available)
			}
		})
	}
}

// TestPositionsAgreeWithLibrary compares positions with the library's, where the library takes the form.
func TestPositionsAgreeWithLibrary(t *testing.T) {
	for _, line := range []string{
		"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
		"$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68",
		"$GPGLL,4916.45,N,12311.12,W,225444,A*31",
	} {
		s, err := nmea.Parse(line)
		if err != nil {
			t.Fatal(err)
		}
		var lat, lon float64
		switch m := s.(type) {
		case nmea.GGA:
			lat, lon = m.Latitude, m.Longitude
		case nmea.RMC:
			lat, lon = m.Latitude, m.Longitude
		case nmea.GLL:
			lat, lon = m.Latitude, m.Longitude
		}
		var v Values
		readings, _ := v.Read(parse(t, line), nil)
		i := slices.IndexFunc(readings, func(r Reading) bool { return r.Quantity == Position })
		if math.Abs(readings[i].Value-lat) > 1e-9 || math.Abs(readings[i].Longitude-lon) > 1e-9 {
			t.Errorf("%s: own %v %v, library %v %v", line, readings[i].Value, readings[i].Longitude, lat, lon)
		}
	}
}
