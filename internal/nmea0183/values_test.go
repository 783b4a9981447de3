package nmea0183

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// parse frames one line; a body without checksum is given one.
func parse(t testing.TB, line string) *Sentence {
	t.Helper()
	if !strings.Contains(line, "*") {
		line = string(Append(nil, line[0], line[1:]))
	}
	var s Sentence
	if _, err := Parse([]byte(line), &s); err != nil {
		t.Fatalf("parse %q: %v", line, err)
	}
	return &s
}

func deg(x float64) float64 { return x * math.Pi / 180 }

func have(q Quantity, ref Reference, value float64) Reading {
	return Reading{Quantity: q, Reference: ref, Value: value, Available: true}
}

func lack(q Quantity, ref Reference) Reading { return Reading{Quantity: q, Reference: ref} }

func (x Reading) in(m Mode) Reading { x.Mode = m; return x }

func (x Reading) at(lon float64) Reading { x.Longitude = lon; return x }

func (x Reading) offset(o float64) Reading { x.Offset, x.HasOffset = o, true; return x }

func (x Reading) of(instance uint8) Reading { x.Instance = instance; return x }

func utc(text string) float64 {
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		panic(err)
	}
	return float64(t.UnixNano()) / 1e9
}

func TestValues(t *testing.T) {
	lat, lon := 37+55.3232/60, 23+1.0146/60
	tests := []struct {
		name, in string
		want     []Reading
		err      error
	}{
		// Sentences with a checksum are printed by the reference, or widely in manuals (from memory) with a checksum that holds.
		{"RMC of edition 4.10", "$GPRMC,120000.00,A,3755.3232,N,02301.0146,E,0.0,116.0,140914,4.2,E,D,V*47", []Reading{
			have(Time, 0, utc("2014-09-14T12:00:00Z")).in('D'), have(Position, 0, lat).at(lon).in('D'),
			have(SpeedOverGround, 0, 0).in('D'), have(CourseOverGround, True, deg(116)), have(Variation, 0, deg(4.2))}, nil},
		{"RMC of edition 2.0", "$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68", []Reading{
			have(Time, 0, utc("1994-11-19T22:54:46Z")), have(Position, 0, 49+16.45/60).at(-(123 + 11.12/60)),
			have(SpeedOverGround, 0, 0.5*1852/3600), have(CourseOverGround, True, deg(54.7)), have(Variation, 0, deg(20.3))}, nil},
		{"RMC after a cold start", "$GPRMC,,V,,,,,,,,,,N*53", []Reading{
			lack(TimeOfDay, 0).in('N'), lack(Position, 0).in('N'), lack(SpeedOverGround, 0).in('N'), lack(CourseOverGround, True), lack(Variation, 0)}, nil},
		{"RMC without a fix keeps nothing", "$GPRMC,120000,V,3755.3232,N,02301.0146,E,1.0,116.0,140914,4.2,E", []Reading{
			lack(Time, 0), lack(Position, 0), lack(SpeedOverGround, 0), lack(CourseOverGround, True), lack(Variation, 0)}, nil},
		{"RMC without variation letter", "$GPRMC,120000,A,3755.3232,N,02301.0146,E,0.0,116.0,140914,4.2", []Reading{
			have(Time, 0, utc("2014-09-14T12:00:00Z")), have(Position, 0, lat).at(lon), have(SpeedOverGround, 0, 0), have(CourseOverGround, True, deg(116))}, nil},
		{"RMC of a leap second", "$GPRMC,235960.5,A,3755.3232,N,02301.0146,E,,,311216,,", []Reading{
			have(Time, 0, utc("2017-01-01T00:00:00.5Z")), have(Position, 0, lat).at(lon), lack(SpeedOverGround, 0), lack(CourseOverGround, True), lack(Variation, 0)}, nil},
		{"RMC with month 13", "$GPRMC,120000,A,3755.3232,N,02301.0146,E,0.0,116.0,141314,,", []Reading{
			lack(Time, 0), have(Position, 0, lat).at(lon), have(SpeedOverGround, 0, 0), have(CourseOverGround, True, deg(116)), lack(Variation, 0)}, ReasonValue},
		{"GGA", "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47", []Reading{
			have(TimeOfDay, 0, 12*3600+35*60+19).in('A'), have(Position, 0, 48+7.038/60).at(11 + 31./60).in('A'),
			have(SatellitesUsed, 0, 8), have(HorizontalDilution, 0, 0.9).in('A'), have(Altitude, 0, 545.4).in('A')}, nil},
		{"GGA simulated", "$GPGGA,123519,4807.038,N,01131.000,E,8,,,,,,,,", []Reading{
			have(TimeOfDay, 0, 12*3600+35*60+19).in('S'), have(Position, 0, 48+7.038/60).at(11 + 31./60).in('S'),
			lack(SatellitesUsed, 0), lack(HorizontalDilution, 0).in('S'), lack(Altitude, 0).in('S')}, nil},
		{"GGA with letters alone", "$GPGGA,,,N,,E,0,00,,,M,,M,,", []Reading{
			lack(TimeOfDay, 0).in('N'), lack(Position, 0).in('N'), have(SatellitesUsed, 0, 0), lack(HorizontalDilution, 0).in('N'), lack(Altitude, 0).in('N')}, nil},
		{"GGA with words for numbers", "$GPGGA,NaN,Inf,N,0x1p4,E,1,,,,M", []Reading{
			lack(TimeOfDay, 0).in('A'), lack(Position, 0).in('A'), lack(SatellitesUsed, 0), lack(HorizontalDilution, 0).in('A'), lack(Altitude, 0).in('A')}, ReasonValue},
		{"GGA at latitude 91", "$GPGGA,123519,9100.0,N,01131.000,E,1", []Reading{
			have(TimeOfDay, 0, 45319).in('A'), lack(Position, 0).in('A'), lack(SatellitesUsed, 0), lack(HorizontalDilution, 0).in('A'), lack(Altitude, 0).in('A')}, ReasonValue},
		{"GLL", "$GPGLL,4916.45,N,12311.12,W,225444,A*31", []Reading{have(Position, 0, 49+16.45/60).at(-(123 + 11.12/60)), have(TimeOfDay, 0, 82484)}, nil},
		{"GLL of four fields", "$GPGLL,4916.45,N,12311.12,W", []Reading{have(Position, 0, 49+16.45/60).at(-(123 + 11.12/60))}, nil},
		{"GLL at 25:61:99", "$GPGLL,4916.45,N,12311.12,W,256199,A", []Reading{have(Position, 0, 49+16.45/60).at(-(123 + 11.12/60)), lack(TimeOfDay, 0)}, ReasonValue},
		{"GLL with 60 minutes", "$GPGLL,4960.00,N,12311.12,W", []Reading{lack(Position, 0)}, ReasonValue},
		{"GNS", "$GNGNS,014035.00,4332.69262,S,17235.48549,E,RR,13,0.9,25.63,11.24,,*70", []Reading{
			have(TimeOfDay, 0, 6035).in('R'), have(Position, 0, -(43 + 32.69262/60)).at(172 + 35.48549/60).in('R'),
			have(SatellitesUsed, 0, 13), have(HorizontalDilution, 0, 0.9).in('R'), have(Altitude, 0, 25.63).in('R')}, nil},
		{"VTG", "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48", []Reading{
			have(CourseOverGround, True, deg(54.7)), have(CourseOverGround, Magnetic, deg(34.4)), have(SpeedOverGround, 0, 5.5*1852/3600)}, nil},
		{"VTG of four fields", "$GPVTG,054.7,034.4,,010.2", []Reading{
			have(CourseOverGround, True, deg(54.7)), have(CourseOverGround, Magnetic, deg(34.4)), have(SpeedOverGround, 0, 10.2/3.6)}, nil},
		{"VTG without a fix", "$GPVTG,,T,,M,0.0,N,0.0,K,N", []Reading{
			lack(CourseOverGround, True), lack(CourseOverGround, Magnetic), lack(SpeedOverGround, 0).in('N')}, nil},
		{"ZDA", "$GPZDA,201530.00,04,07,2002,00,00*60", []Reading{have(Time, 0, utc("2002-07-04T20:15:30Z"))}, nil},
		{"ZDA of four fields", "$GPZDA,201530.00,04,07,2002", []Reading{have(Time, 0, utc("2002-07-04T20:15:30Z"))}, nil},
		{"ZDA on 31 June", "$GPZDA,201530.00,31,06,2002", []Reading{lack(Time, 0)}, ReasonValue},
		{"HDT", "$GPHDT,274.07,T*03", []Reading{have(Heading, True, deg(274.07))}, nil},
		{"HDT without letter", "$GPHDT,274.07", []Reading{have(Heading, True, deg(274.07))}, nil},
		{"HDT empty", "$GPHDT,,T", []Reading{lack(Heading, True)}, nil},
		{"HDT of 720", "$GPHDT,720,T", []Reading{lack(Heading, True)}, ReasonValue},
		{"HDT of 360", "$GPHDT,360.0,T", []Reading{have(Heading, True, 0)}, nil},
		{"HDT in lower case", "$gphdt,274.07,t", []Reading{have(Heading, True, deg(274.07))}, nil},
		{"HDG", "$HCHDG,115.9,1.0,W,4.2,E*5B", []Reading{have(Heading, Magnetic, deg(114.9)), have(Deviation, 0, deg(-1)), have(Variation, 0, deg(4.2))}, nil},
		{"HDG without deviation", "$HCHDG,101.1,,,7.1,W*3C", []Reading{have(Heading, Magnetic, deg(101.1)), lack(Deviation, 0), have(Variation, 0, deg(-7.1))}, nil},
		{"HDG short", "$HCHDG,101.1", []Reading{have(Heading, Magnetic, deg(101.1))}, nil},
		{"HDM", "$HCHDM,93.8,M", []Reading{have(Heading, Magnetic, deg(93.8))}, nil},
		{"HDM in lower case", "$hchdm,93.8,M", []Reading{have(Heading, Magnetic, deg(93.8))}, nil},
		{"HDM empty", "$HCHDM,,M", []Reading{lack(Heading, Magnetic)}, nil},
		{"THS not valid", "$INTHS,123.4,V", []Reading{lack(Heading, True)}, nil},
		{"ROT to port", "$TIROT,-60.0,A", []Reading{have(RateOfTurn, 0, deg(-1))}, nil},
		{"DPT", "$SDDPT,12.4,0.5,50*4C", []Reading{have(Depth, Transducer, 12.4).offset(0.5)}, nil},
		{"DPT alone", "$SDDPT,12.4", []Reading{have(Depth, Transducer, 12.4)}, nil},
		{"DPT to the keel", "$SDDPT,12.4,-0.3", []Reading{have(Depth, Transducer, 12.4).offset(-0.3)}, nil},
		{"DPT empty", "$SDDPT,,0.5", []Reading{lack(Depth, Transducer)}, nil},
		{"DBT", "$SDDBT,7.7,f,2.3,M,1.3,F*05", []Reading{have(Depth, Transducer, 2.3)}, nil},
		{"DBT in feet", "$SDDBT,10,f", []Reading{have(Depth, Transducer, 3.048)}, nil},
		{"DBS", "$SDDBS,,f,3.1,M,,F", []Reading{have(Depth, Surface, 3.1)}, nil},
		{"DBK", "$SDDBK,,f,,M,1,F", []Reading{have(Depth, Keel, 1.8288)}, nil},
		{"VHW", "$VWVHW,245.1,T,240.9,M,5.0,N,9.3,K", []Reading{
			have(Heading, True, deg(245.1)), have(Heading, Magnetic, deg(240.9)), have(SpeedThroughWater, Water, 5*1852./3600)}, nil},
		{"VHW speed alone", "$VWVHW,,T,,M,,N,18.52,K", []Reading{lack(Heading, True), lack(Heading, Magnetic), have(SpeedThroughWater, Water, 18.52/3.6)}, nil},
		{"VHW of four fields", "$VWVHW,245.1,240.9,5.0,9.3", []Reading{
			have(Heading, True, deg(245.1)), have(Heading, Magnetic, deg(240.9)), have(SpeedThroughWater, Water, 5*1852./3600)}, nil},
		{"VHW cut after the headings", "$VWVHW,245.1,T,240.9,M", []Reading{
			have(Heading, True, deg(245.1)), have(Heading, Magnetic, deg(240.9)), lack(SpeedThroughWater, Water)}, nil},
		{"VBW", "$VWVBW,5.0,0.1,A,4.8,0.0,A", []Reading{have(SpeedThroughWater, Water, 5*1852./3600)}, nil},
		{"VLW", "$VWVLW,1.0,N,0.5,N,,N,2.0,N", []Reading{
			have(DistanceLog, Water, 1852), have(TripLog, Water, 926), lack(DistanceLog, Ground), have(TripLog, Ground, 3704)}, nil},
		{"VDR", "$IIVDR,10.0,T,,M,1.0,N", []Reading{have(CurrentSet, True, deg(10)), lack(CurrentSet, Magnetic), have(CurrentDrift, 0, 1852./3600)}, nil},
		{"MWV apparent", "$WIMWV,045.0,R,12.4,N,A*15", []Reading{have(WindAngle, Apparent, deg(45)), have(WindSpeed, Apparent, 12.4*1852/3600)}, nil},
		{"MWV true in m/s", "$WIMWV,045.0,T,12.4,M,A", []Reading{have(WindAngle, Theoretical, deg(45)), have(WindSpeed, Theoretical, 12.4)}, nil},
		{"MWV not valid", "$WIMWV,000.0,R,0.0,N,V", []Reading{lack(WindAngle, Apparent), lack(WindSpeed, Apparent)}, nil},
		{"MWV with an exponent", "$WIMWV,4e1,R,0x1p4,N,A", []Reading{lack(WindAngle, Apparent), lack(WindSpeed, Apparent)}, ReasonValue},
		{"MWV in miles of land without a reference", "$WIMWV,045.0,,12.4,S,A", []Reading{lack(WindAngle, 0), lack(WindSpeed, 0)}, nil},
		{"MWV with an unknown unit", "$WIMWV,045.0,R,12.4,X,A", []Reading{have(WindAngle, Apparent, deg(45)), lack(WindSpeed, Apparent)}, ReasonValue},
		{"MWV in lower case", "$wimwv,045.0,r,12.4,n,a", []Reading{have(WindAngle, Apparent, deg(45)), have(WindSpeed, Apparent, 12.4*1852/3600)}, nil},
		{"MWD", "$WIMWD,90.0,T,,M,,N,3.0,M", []Reading{have(WindAngle, True, deg(90)), lack(WindAngle, Magnetic), have(WindSpeed, Ground, 3)}, nil},
		{"VWR", "$IIVWR,75,R,1.0,N,0.51,M,1.85,K*6C", []Reading{have(WindAngle, Apparent, deg(75)), have(WindSpeed, Apparent, 1852./3600)}, nil},
		{"VWT from the left", "$IIVWT,75,L,,N,2.0,M,,K", []Reading{have(WindAngle, Theoretical, deg(285)), have(WindSpeed, Theoretical, 2)}, nil},
		{"VWR ahead needs no side", "$IIVWR,0.0,,1.0,N,,M,,K", []Reading{have(WindAngle, Apparent, 0), have(WindSpeed, Apparent, 1852./3600)}, nil},
		{"VWR without a side", "$IIVWR,75,,,N,,M,1.85,K", []Reading{lack(WindAngle, Apparent), have(WindSpeed, Apparent, 1.85/3.6)}, nil},
		{"MTW in other degrees", "$INMTW,64.2,F", []Reading{lack(WaterTemperature, 0)}, ReasonValue},
		{"MTW without letter", "$INMTW,17.9", []Reading{have(WaterTemperature, 0, 291.05)}, nil},
		{"MTW", "$INMTW,17.9,C*1B", []Reading{have(WaterTemperature, 0, 291.05)}, nil},
		{"MTW at zero is not empty", "$INMTW,0.0,C", []Reading{have(WaterTemperature, 0, 273.15)}, nil},
		{"MTW empty", "$INMTW,,C", []Reading{lack(WaterTemperature, 0)}, nil},
		{"MTA", "$WIMTA,21.5,C", []Reading{have(AirTemperature, 0, 294.65)}, nil},
		{"MMB", "$WIMMB,29.9200,I,1.0132,B", []Reading{have(Pressure, 0, 101320)}, nil},
		{"MHU", "$WIMHU,66.0,5.0,3.0,C", []Reading{have(Humidity, 0, 66)}, nil},
		{"MDA", "$WIMDA,,I,1.0,B,20.0,C,,C,50,,,C,90,T,,M,,N,3,M", []Reading{have(Pressure, 0, 1e5), have(AirTemperature, 0, 293.15), lack(WaterTemperature, 0),
			have(Humidity, 0, 50), have(WindAngle, True, deg(90)), lack(WindAngle, Magnetic), have(WindSpeed, Ground, 3)}, nil},
		{"RSA", "$IIRSA,-10.5,A,,V", []Reading{have(RudderAngle, 0, deg(-10.5)), lack(RudderAngle, 0).of(1)}, nil},
		{"RSA single", "$IIRSA,10.5,A", []Reading{have(RudderAngle, 0, deg(10.5))}, nil},
		{"RPM", "$IIRPM,E,1,2418.2,10.5,A", []Reading{have(EngineSpeed, 0, 2418.2).of(1)}, nil},
		{"RPM of a shaft", "$IIRPM,S,1,2418.2,10.5,A", nil, nil},
		{"XDR", "$IIXDR,A,-3.5,D,PTCH,A,,D,ROLL,P,1.02,B,Barometer,U,12.6,V,House", []Reading{
			have(Pitch, 0, deg(-3.5)), lack(Roll, 0), have(Pressure, 0, 102000)}, nil},
		{"XDR torn behind a whole group", "$IIXDR,A,-3.5,D,PTCH,A,2.0", []Reading{have(Pitch, 0, deg(-3.5))}, ReasonValue},
		{"XDR in lower case", "$IIXDR,c,12.5,c,water_t", []Reading{have(WaterTemperature, 0, 285.65)}, nil},
		{"XDR torn", "$IIXDR,A,-3.5,D", nil, ReasonValue},
		{"bad checksum", "$INMTW,17.9,C*1C", nil, nil},
		{"unknown formatter", "$INXYZ,17.9,C", nil, nil},
		{"proprietary that ends like HDT", "$PHDT,17.9,T", nil, nil},
		{"query", "$CCGPQ,GGA*2B", nil, nil},
		{"of a type without values", "$GPTXT*4F", nil, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := Read(parse(t, tt.in), nil)
			if err != tt.err {
				t.Errorf("Read(%s) error = %v, want %v", tt.in, err, tt.err)
			}
			if diff := cmp.Diff(tt.want, got, cmpopts.EquateApprox(0, 1e-9)); diff != "" {
				t.Errorf("Read(%s) (-want +got):\n%s", tt.in, diff)
			}
			for _, r := range got {
				if formatter := tt.in[3:6]; !slices.Contains(Carries(strings.ToUpper(formatter)), r.Quantity) {
					t.Errorf("Carries(%s) lacks %v", formatter, r.Quantity)
				}
			}
		})
	}
}

func TestFormats(t *testing.T) {
	for i, f := range formats {
		if i > 0 && formats[i-1].name >= f.name {
			t.Errorf("%s does not come before %s", formats[i-1].name, f.name)
		}
	}
	for _, f := range measuredFormats() {
		if !slices.ContainsFunc(oneOfEach, func(line string) bool { return line[3:6] == f.name }) {
			t.Errorf("no benchmark reads %s", f.name)
		}
	}
	if Nominal("RMC") != time.Second || Nominal("XYZ") != 0 {
		t.Error("Nominal does not follow the table")
	}
	for q := range quantityCount {
		if q.String() == "" || slices.Index(quantityNames[:], q.String()) != int(q) {
			t.Errorf("quantity %d has no name of its own", q)
		}
	}
}

func FuzzValues(f *testing.F) {
	for _, seed := range seeds {
		f.Add([]byte(seed))
	}
	for _, x := range formats {
		f.Add(Append(nil, '$', "II"+x.name+",1.0,A,2.0,N,3.0,E,4.0,M,5.0,C,6.0"))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		var (
			s Sentence
		)
		for rest := line; rest != nil; {
			var err error
			rest, err = Parse(rest, &s)
			if err != nil {
				continue
			}
			if s.Checksum == ChecksumBad {
				s.Checksum = ChecksumMissing // so that the fuzzer need not find checksums
			}
			readings, _ := Read(&s, nil)
			for _, r := range readings {
				if !finite(r.Value) || !finite(r.Longitude) || !finite(r.Offset) {
					t.Fatalf("%q: %+v is not finite", s.Raw, r)
				}
				if !r.Available && (r.Value != 0 || r.Longitude != 0 || r.Offset != 0) {
					t.Fatalf("%q: %+v is not available and has numbers", s.Raw, r)
				}
			}
			new(Versions).Add(&s)
			ReadHeartbeat(&s)
			ReadText(&s)
		}
	})
}

func TestIsDecimal(t *testing.T) {
	for _, text := range []string{"0", "-0", "+1", ".5", "5.", "-.25", "0.1", "3755.3232", "02301.014600", "1234567890123456.789", "0000000000000000000000000000.1"} {
		if !isDecimal(text) {
			t.Errorf("%q is no number", text)
		}
	}
	for _, text := range []string{"", ".", "-", "+.", "1.2.3", "1e3", "0x10", "NaN", "Inf", "1_0", "1-", "--1", "+-1", " 1", "000000000000000000000000000000001"} {
		if isDecimal(text) {
			t.Errorf("%q is a number", text)
		}
	}
}
