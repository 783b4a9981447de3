package nmea0183

import (
	"bytes"
	"encoding/json"
	"errors"
	"math"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// outside runs a program of other hands, or skips the test by the program's name when it is not installed.
func outside(t *testing.T, input, name string, args ...string) []byte {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Stdin = strings.NewReader(input)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	missing := errors.Is(err, exec.ErrNotFound) || errors.Is(err, os.ErrNotExist) || strings.Contains(stderr.String(), "No module named")
	if missing && os.Getenv("MUSTER_TEST_ALL") != "1" {
		t.Skipf("%s is not installed: %v %s", name, err, strings.TrimSpace(stderr.String()))
	}
	if err != nil {
		t.Fatalf("run %s: %v\n%s", name, err, stderr.String())
	}
	return out
}

// pynmeaScript prints one JSON object a line of input: address, fields and what Debian's python3-nmea2 makes of them.
const pynmeaScript = `
import sys, json, datetime, pynmea2
def plain(v):
    if isinstance(v, (datetime.time, datetime.date)): return v.isoformat()
    try: return float(v)
    except (TypeError, ValueError): return str(v)
for line in sys.stdin:
    line = line.strip()
    try: m = pynmea2.parse(line, check=True)
    except pynmea2.ChecksumError: print(json.dumps({"bad": True})); continue
    out = {"talker": getattr(m, "talker", ""), "type": m.sentence_type, "fields": m.data, "values": {}}
    for f in m.fields:
        if getattr(m, f[1], None) not in (None, ""): out["values"][f[1]] = plain(getattr(m, f[1]))
    for name in ("latitude", "longitude"):
        if hasattr(m, name): out["values"][name] = getattr(m, name)
    at = getattr(m, "timestamp", None)
    if isinstance(at, datetime.time):
        out["values"]["clock"] = at.hour*3600 + at.minute*60 + at.second + at.microsecond/1e6
        day = getattr(m, "datestamp", None)
        if isinstance(day, datetime.date): out["values"]["epoch"] = (day - datetime.date(1970, 1, 1)).days*86400 + out["values"]["clock"]
    if m.sentence_type == "XDR":
        for i in range(m.num_transducers):
            x = m.get_transducer(i)
            out["values"]["transducer " + x.id] = float(x.value)
    print(json.dumps(out))
`

func TestAgainstPythonNMEA2(t *testing.T) {
	const (
		offset     = quantityCount + iota // of a Depth
		portRudder                        // RudderAngle, instance 1
	)
	type value struct {
		name  string // python3-nmea2's
		q     Quantity
		ref   Reference
		scale float64 // from its unit to ours; added to zeroCelsius for a temperature
	}
	tests := []struct {
		line   string
		values []value
	}{
		{rmcLine, []value{{"epoch", Time, 0, 1}, {"spd_over_grnd", SpeedOverGround, 0, knot}, {"true_course", CourseOverGround, True, radian}, {"mag_variation", Variation, 0, radian}}},
		{"$GPGGA,123519,4807.038,N,01131.000,W,1,08,0.9,545.4,M,46.9,M,,*55", []value{{"clock", TimeOfDay, 0, 1}, {"altitude", Altitude, 0, 1}, {"num_sats", SatellitesUsed, 0, 1}, {"horizontal_dil", HorizontalDilution, 0, 1}}},
		{"$GPGLL,4916.45,S,12311.12,W,225444,A", []value{{"clock", TimeOfDay, 0, 1}}},
		{"$GNGNS,014035.50,4332.69262,S,17235.48549,E,RR,13,0.9,25.63,11.24,,", []value{{"clock", TimeOfDay, 0, 1}, {"num_sats", SatellitesUsed, 0, 1}, {"hdop", HorizontalDilution, 0, 1}, {"altitude", Altitude, 0, 1}}},
		{"$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48", []value{{"true_track", CourseOverGround, True, radian}, {"mag_track", CourseOverGround, Magnetic, radian}, {"spd_over_grnd_kts", SpeedOverGround, 0, knot}}},
		{"$GPHDT,274.07,T*03", []value{{"heading", Heading, True, radian}}},
		{"$HCHDM,93.8,M", []value{{"heading", Heading, Magnetic, radian}}},
		{"$HCHDG,98.3,,,12.6,E", []value{{"heading", Heading, Magnetic, radian}, {"variation", Variation, 0, radian}}},
		{"$SDDPT,12.4,0.5,50*4C", []value{{"depth", Depth, Transducer, 1}, {"offset", offset, Transducer, 1}}},
		{"$SDDPT,8.2,-1.35,", []value{{"depth", Depth, Transducer, 1}, {"offset", offset, Transducer, 1}}},
		{"$SDDBT,7.7,f,2.3,M,1.3,F*05", []value{{"depth_meters", Depth, Transducer, 1}}},
		{"$SDDBS,7.7,f,2.3,M,1.3,F", []value{{"depth_meter", Depth, Surface, 1}}},
		{"$VWVHW,245.1,T,240.9,M,5.0,N,9.3,K", []value{{"heading_true", Heading, True, radian}, {"heading_magnetic", Heading, Magnetic, radian}, {"water_speed_knots", SpeedThroughWater, Water, knot}}},
		{"$WIMWV,045.0,R,12.4,N,A*15", []value{{"wind_angle", WindAngle, Apparent, radian}, {"wind_speed", WindSpeed, Apparent, knot}}},
		{"$WIMWV,214.8,T,10.0,M,A", []value{{"wind_angle", WindAngle, Theoretical, radian}, {"wind_speed", WindSpeed, Theoretical, 1}}},
		{"$WIMWV,3.5,T,36.0,K,A", []value{{"wind_angle", WindAngle, Theoretical, radian}, {"wind_speed", WindSpeed, Theoretical, kmh}}},
		{"$IIVWT,75,R,1.0,N,0.51,M,1.85,K", []value{{"wind_angle_vessel", WindAngle, Theoretical, radian}, {"wind_speed_knots", WindSpeed, Theoretical, knot}}},
		{"$WIMWD,90.0,T,85.0,M,5.8,N,3.0,M", []value{{"direction_true", WindAngle, True, radian}, {"direction_magnetic", WindAngle, Magnetic, radian}, {"wind_speed_meters", WindSpeed, Ground, 1}}},
		{"$IIVWR,75,R,1.0,N,0.51,M,1.85,K*6C", []value{{"deg_r", WindAngle, Apparent, radian}, {"wind_speed_kn", WindSpeed, Apparent, knot}}},
		{"$INMTW,17.9,C*1B", []value{{"temperature", WaterTemperature, 0, 1}}},
		{"$WIMDA,29.9,I,1.0132,B,20.0,C,15.0,C,50,,,C,90,T,85,M,5.8,N,3.0,M", []value{{"b_pressure_bar", Pressure, 0, bar}, {"air_temp", AirTemperature, 0, 1}, {"water_temp", WaterTemperature, 0, 1}, {"rel_humidity", Humidity, 0, 1}}},
		{"$TIROT,-60.0,A", []value{{"rate_of_turn", RateOfTurn, 0, radian / 60}}},
		{"$IIRPM,E,1,2418.2,10.5,A", []value{{"speed", EngineSpeed, 0, 1}}},
		{"$VWVLW,1.0,N,0.5,N", []value{{"trip_distance", DistanceLog, Water, nauticalMile}, {"trip_distance_reset", TripLog, Water, nauticalMile}}},
		{"$IIVDR,10.1,T,12.3,M,1.2,N", []value{{"deg_t", CurrentSet, True, radian}, {"deg_m", CurrentSet, Magnetic, radian}, {"current", CurrentDrift, 0, knot}}},
		{"$VDVBW,11.0,0.2,A,10.8,0.1,A", []value{{"lon_water_spd", SpeedThroughWater, Water, knot}}},
		{"$GPZDA,201530.00,04,07,2002,00,00*60", []value{{"epoch", Time, 0, 1}}},
		{"$GPZDA,235959.75,29,02,2024,,", []value{{"epoch", Time, 0, 1}}},
		{"$IIRSA,10.5,A,-4.2,A", []value{{"rsa_starboard", RudderAngle, 0, radian}, {"rsa_port", portRudder, 0, radian}}},
		{"$IIRSA,-7.5,A,,V", []value{{"rsa_starboard", RudderAngle, 0, radian}}},
		{"$IIXDR,A,-2.4,D,PTCH,A,12.9,D,ROLL", []value{{"transducer PTCH", Pitch, 0, radian}, {"transducer ROLL", Roll, 0, radian}}},
		{"$WIXDR,P,1.0142,B,BARO,C,16.5,C,AIRTEMP,H,71.0,P,HUMIDITY", []value{{"transducer BARO", Pressure, 0, bar}, {"transducer AIRTEMP", AirTemperature, 0, 1}, {"transducer HUMIDITY", Humidity, 0, 1}}},
		// Shorter forms of real traffic, as far as python3-nmea2 takes them.
		{"$GPGLL,4916.45,N,12311.12,W", nil},
		{"$GPRMC,120000.00,A,3755.3232,N,02301.0146,E,0.5,116.0,140914", []value{{"epoch", Time, 0, 1}, {"spd_over_grnd", SpeedOverGround, 0, knot}, {"true_course", CourseOverGround, True, radian}}},
		{"$GPGGA,123519,4807.038,N,01131.000,E,1,08", []value{{"clock", TimeOfDay, 0, 1}, {"num_sats", SatellitesUsed, 0, 1}}},
		{"$GPVTG,054.7,T,034.4,M,005.5,N", []value{{"true_track", CourseOverGround, True, radian}, {"spd_over_grnd_kts", SpeedOverGround, 0, knot}}},
		{"$GPHDT,274.07", []value{{"heading", Heading, True, radian}}},
		{"$SDDPT,12.4", []value{{"depth", Depth, Transducer, 1}}},
		{"$VWVHW,,,,,5.0,N", []value{{"water_speed_knots", SpeedThroughWater, Water, knot}}},
		{"$SDDPT,12.4,0.5,50*4D", nil}, // both must refuse it
	}
	var input strings.Builder
	for i := range tests {
		if !strings.Contains(tests[i].line, "*") {
			tests[i].line = strings.TrimSpace(string(Append(nil, '$', tests[i].line[1:])))
		}
		input.WriteString(tests[i].line + "\n")
	}
	decoder := json.NewDecoder(bytes.NewReader(outside(t, input.String(), "/usr/bin/python3", "-c", pynmeaScript)))
	for _, tt := range tests {
		var theirs struct {
			Bad          bool
			Talker, Type string
			Fields       []string
			Values       map[string]any
		}
		if err := decoder.Decode(&theirs); err != nil {
			t.Fatal(err)
		}
		t.Run(tt.line, func(t *testing.T) {
			var (
				s Sentence
			)
			if _, err := Parse([]byte(tt.line), &s); err != nil {
				t.Fatal(err)
			}
			if theirs.Bad != (s.Checksum == ChecksumBad) {
				t.Fatalf("theirs calls the checksum bad: %v, ours is %v", theirs.Bad, s.Checksum)
			}
			if theirs.Bad {
				return
			}
			if s.Address.Talker() != theirs.Talker || s.Address.Formatter() != theirs.Type {
				t.Errorf("ours %s %s, theirs %s %s", s.Address.Talker(), s.Address.Formatter(), theirs.Talker, theirs.Type)
			}
			for i, f := range theirs.Fields {
				if string(s.Field(i)) != f {
					t.Errorf("field %d: ours %q, theirs %q", i, s.Field(i), f)
				}
			}
			readings, err := Read(&s, nil)
			if err != nil {
				t.Fatal(err)
			}
			find := func(q Quantity, ref Reference, instance int) (r Reading) {
				for _, r = range readings {
					if r.Quantity == q && r.Reference == ref && r.Available && (instance < 0 || int(r.Instance) == instance) {
						return r
					}
				}
				t.Errorf("no %v %v", ref, q)
				return Reading{}
			}
			for _, x := range tt.values {
				theirs, ok := theirs.Values[x.name].(float64)
				if !ok {
					t.Errorf("theirs has no number %s", x.name)
					continue
				}
				want := theirs * x.scale
				if x.q == WaterTemperature || x.q == AirTemperature {
					want += zeroCelsius
				}
				got := 0.0
				switch x.q {
				case offset:
					got = find(Depth, x.ref, -1).Offset
				case portRudder:
					got = find(RudderAngle, x.ref, 1).Value
				default:
					got = find(x.q, x.ref, -1).Value
				}
				if math.Abs(got-want) > 1e-9*max(1, math.Abs(want)) {
					t.Errorf("%v %v: ours %v, theirs %s = %v", x.ref, x.q, got, x.name, want)
				}
			}
			if lat, ok := theirs.Values["latitude"].(float64); ok {
				p := find(Position, ReferenceNone, -1)
				if lon := theirs.Values["longitude"].(float64); math.Abs(p.Value-lat) > 1e-9 || math.Abs(p.Longitude-lon) > 1e-9 {
					t.Errorf("position: ours %v %v, theirs %v %v", p.Value, p.Longitude, lat, lon)
				}
			}
		})
	}
}

// TestAgainstGPSDecode compares AIS messages with gpsd's decoder.
func TestAgainstGPSDecode(t *testing.T) {
	lines := []string{aisType1, aisType5a, aisType5b, aisType24, aisType24pB}
	decoder := json.NewDecoder(bytes.NewReader(outside(t, strings.Join(lines, "\n")+"\n", "gpsdecode", "-j")))
	var (
		j       Joiner
		name    SixBitText // of the last type 24 part A: gpsd gives a type 24 once it has both parts
		compare = 0
	)
	for _, line := range lines {
		var m AIS
		done, err := j.Add(parse(t, line), 0, &m)
		if err != nil {
			t.Fatal(err)
		}
		if m.Type == 24 && m.CallSign == (SixBitText{}) {
			name = m.Name
			continue
		}
		if !done {
			continue
		}
		if m.Type == 24 {
			m.Name = name
		}
		var theirs struct {
			Type                         uint8
			MMSI                         uint32
			ShipName, CallSign, VendorID string
			ShipType                     uint8
		}
		if err := decoder.Decode(&theirs); err != nil {
			t.Fatal(err)
		}
		if m.Type != theirs.Type || m.MMSI != theirs.MMSI || m.Name.String() != theirs.ShipName || m.CallSign.String() != theirs.CallSign || m.ShipType != theirs.ShipType {
			t.Errorf("%s: ours %d %d %q %q %d, theirs %+v", line, m.Type, m.MMSI, m.Name, m.CallSign, m.ShipType, theirs)
		}
		compare++
	}
	if compare != 3 {
		t.Errorf("compared %d messages, want 3", compare)
	}
}
