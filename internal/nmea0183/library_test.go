package nmea0183

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	nmea "github.com/adrianmo/go-nmea"
	"github.com/google/go-cmp/cmp"
)

// randomSentences is how many of all types together are held to the plain readers.
const randomSentences = 100_000

// plains read the types field by field, without the library.
var plains = map[string]func(*plain){
	"DBK": plainDBK, "DBS": plainDBS, "DBT": plainDBT, "DPT": plainDPT, "GGA": plainGGA, "GLL": plainGLL,
	"GNS": plainGNS, "HDG": plainHDG, "HDM": plainHDM, "HDT": plainHDT, "MDA": plainMDA, "MHU": plainMHU,
	"MMB": plainMMB, "MTA": plainMTA, "MTW": plainMTW, "MWD": plainMWD, "MWV": plainMWV, "RMC": plainRMC,
	"ROT": plainROT, "RPM": plainRPM, "RSA": plainRSA, "THS": plainTHS, "VBW": plainVBW, "VDR": plainVDR,
	"VHW": plainVHW, "VLW": plainVLW, "VTG": plainVTG, "VWR": plainVWR, "VWT": plainVWT, "XDR": plainXDR,
	"ZDA": plainZDA,
}

// wouldBe are the types that go-nmea supports and that are read by own code all the same: how its values would be
// taken, and the sentences that it has wrong.
var wouldBe = map[string]struct {
	library func(*reader, nmea.Sentence)
	wrong   func(*Sentence) bool
}{
	"GGA": {reads(fromGGA), func(s *Sentence) bool { return string(s.Field(5)) == "7" || string(s.Field(5)) == "8" }},
	"VHW": {reads(fromVHW), func(s *Sentence) bool { return s.NumFields() == 4 }},
	"VTG": {reads(fromVTG), func(s *Sentence) bool { return s.NumFields() == 4 }},
}

func fromGGA(r *reader, m nmea.GGA) {
	mode := ModeUnknown
	if m.FixQuality != "" {
		mode = qualities[m.FixQuality[0]-'0']
	}
	fix := mode != ModeNone
	r.timeOfDay(m.Time, mode)
	r.position(1, m.Latitude, m.Longitude, mode, fix)
	r.value(SatellitesUsed, ReferenceNone, float64(m.NumSatellites), r.has(6))
	r.put(Reading{Quantity: HorizontalDilution, Value: m.HDOP, Mode: mode, Available: r.has(7) && fix})
	r.put(Reading{Quantity: Altitude, Value: m.Altitude, Mode: mode, Available: r.has(8) && fix})
}

func fromVTG(r *reader, m nmea.VTG) {
	mode := modeOf(m.FFAMode)
	valid := mode != ModeNone
	r.angle(CourseOverGround, True, m.TrueTrack, r.has(0) && valid)
	r.angle(CourseOverGround, Magnetic, m.MagneticTrack, r.has(2) && valid)
	speed, has := r.first(given{4, m.GroundSpeedKnots, knot}, given{6, m.GroundSpeedKPH, kmh})
	r.put(Reading{Quantity: SpeedOverGround, Value: speed, Available: has && valid, Mode: mode})
}

func fromVHW(r *reader, m nmea.VHW) {
	r.bothNorths(Heading, 0, 2, m.TrueHeading, m.MagneticHeading)
	speed, has := r.first(given{4, m.SpeedThroughWaterKnots, knot}, given{6, m.SpeedThroughWaterKPH, kmh})
	r.value(SpeedThroughWater, Water, speed, has)
}

// TestAgainstLibrary holds every type, whoever reads it, to the plain reader over random sentences; and of each type
// that own code reads, that go-nmea would have those wrong that the reason names, and no others.
func TestAgainstLibrary(t *testing.T) {
	measured := measuredFormats()
	if len(plains) != len(measured) {
		t.Errorf("%d plain readers of %d types", len(plains), len(measured))
	}
	for i, f := range measured {
		t.Run(f.name, func(t *testing.T) {
			if (f.library == nil) == (f.own == nil) || (f.own == nil) != (f.why == "") {
				t.Fatal("a type is read by go-nmea, or by own code for a reason")
			}
			if _, shown := wouldBe[f.name]; f.own != nil && f.why != notKnown && !shown {
				t.Fatal("which of its sentences go-nmea has wrong is not shown in wouldBe")
			}
			d := draw{rand.New(rand.NewPCG(1, uint64(i)))}
			seen := map[Quantity]int{}
			wrong := 0
			for range randomSentences/len(measured) + 1 {
				line, spoiled := d.sentence(&f)
				s := parse(t, line)
				p := plain{s: s}
				plains[f.name](&p)
				got, err := Read(s, nil)
				if !slices.EqualFunc(p.out, got, alike) {
					t.Fatalf("%s (-want +got):\n%s", s.Raw, cmp.Diff(p.out, got))
				}
				if err != nil && err != ReasonValue || p.bad && err == nil || !spoiled && !p.bad && err != nil {
					t.Fatalf("%s: error %v, want one: %v", s.Raw, err, p.bad)
				}
				for _, r := range got {
					if r.Available {
						seen[r.Quantity]++
					}
				}
				if f.own != nil && !asLibrary(&f, s, p.out) {
					wrong++
					if of, known := wouldBe[f.name]; known && !of.wrong(s) {
						t.Fatalf("go-nmea has %s wrong for another reason than that it %s", s.Raw, f.why)
					}
				}
			}
			if f.own != nil && wrong == 0 {
				t.Errorf("go-nmea reads all sentences as they are to be read: let it read the type")
			}
			for _, q := range f.carries {
				if seen[q] < 10 {
					t.Errorf("%d sentences with %v are too few", seen[q], q)
				}
			}
		})
	}
}

// measuredFormats are those with values.
func measuredFormats() []format {
	return slices.DeleteFunc(slices.Clone(formats), func(f format) bool { return len(f.carries) == 0 })
}

// asLibrary reports whether go-nmea, asked as it is of other types, would give the readings.
func asLibrary(f *format, s *Sentence, want []Reading) bool {
	r := reader{s: s}
	r.clean(f.layout)
	m, err := byLibrary(f.name, r.fields)
	if err != nil {
		return false
	}
	of, known := wouldBe[f.name]
	if !known {
		return false
	}
	of.library(&r, m)
	return slices.EqualFunc(want, r.out, alike)
}

// alike compares readings; go-nmea gives times to the millisecond.
func alike(a, b Reading) bool {
	tolerance := 1e-12
	if a.Quantity == Time || a.Quantity == TimeOfDay {
		tolerance = 0.0005
	}
	near := func(x, y float64) bool { return math.Abs(x-y) <= tolerance*max(1, math.Abs(x)) }
	if tolerance > 1e-12 {
		near = func(x, y float64) bool { return math.Abs(x-y) <= tolerance }
	}
	same := near(a.Value, b.Value) && near(a.Longitude, b.Longitude) && near(a.Offset, b.Offset)
	a.Value, a.Longitude, a.Offset = b.Value, b.Longitude, b.Offset
	return same && a == b
}

// TestUnknownToLibrary: go-nmea does not support what is listed as unsupported, and supports the others.
func TestUnknownToLibrary(t *testing.T) {
	for _, f := range formats {
		_, err := nmea.Parse(strings.TrimSpace(string(Append(nil, '$', "II"+f.name+",1,1,1,1"))))
		var unknown *nmea.NotSupportedError
		ais := f.name == "VDM" || f.name == "VDO" // not with a $
		if errors.As(err, &unknown) != (f.why == notKnown || ais) {
			t.Errorf("%s: %q, but go-nmea says %v", f.name, f.why, err)
		}
	}
}

// TestTextByLibrary: go-nmea cannot read these texts, for each of the reasons.
func TestTextByLibrary(t *testing.T) {
	for _, tt := range []struct{ line, id, text string }{
		{"$GPTXT,01,01,02,depth ^2C speed", "02", "depth , speed"},
		{`$GPTXT,01,01,02,C:\chart`, "02", `C:\chart`},
		{"$GPTXT,01,01,FW,1.2", "FW", "1.2"},
	} {
		line := strings.TrimSpace(string(Append(nil, '$', tt.line[1:])))
		got, ok := ReadText(parse(t, line))
		if !ok || got.ID != tt.id || got.Text != tt.text {
			t.Errorf("%s: %+v", line, got)
		}
		if m, err := nmea.Parse(line); err == nil && m.(nmea.TXT).Message == tt.text {
			t.Errorf("go-nmea reads %s: let it read texts", line)
		}
	}
}

// TestAISByLibrary: go-nmea gives the bits of one part of a message.
func TestAISByLibrary(t *testing.T) {
	var (
		j Joiner
		m AIS
	)
	for _, line := range []string{aisType5a, aisType5b} {
		if _, err := j.Add(parse(t, line), 1, &m); err != nil {
			t.Fatal(err)
		}
		theirs, err := nmea.Parse(line)
		if err != nil {
			t.Fatal(err)
		}
		if bits := len(theirs.(nmea.VDMVDO).Payload); bits >= m.Bits && m.Bits > 0 {
			t.Errorf("go-nmea gives %d bits of a message of %d with %s", bits, m.Bits, line)
		}
	}
}

// TestHeartbeatByLibrary compares what go-nmea reads of a heartbeat with its fields.
func TestHeartbeatByLibrary(t *testing.T) {
	d := draw{rand.New(rand.NewPCG(1, 1))}
	for range 1000 {
		line, _ := d.sentence(formatOf("HBT"))
		s := parse(t, line)
		want := Heartbeat{Sequence: -1}
		if x, ok := decimal(s.Field(0)); ok && x > 0 {
			want.IntervalSec = x
		}
		status := letter(s.Field(1))
		want.StatusGiven, want.Normal = status == 'A' || status == 'V', status == 'A'
		if n, ok := integer(s.Field(2)); ok && n >= 0 && n <= 9 {
			want.Sequence = int(n)
		}
		if got, ok := ReadHeartbeat(s); !ok || got != want {
			t.Fatalf("%s: %+v, want %+v", s.Raw, got, want)
		}
	}
}

// knownToLibrary are all standard types of go-nmea 1.10 that begin with a $.
const knownToLibrary = "AAM ACK ACN ALA ALC ALF ALR APB ARC BEC BOD BWC BWR BWW DBK DBS DBT DOR DPT DSC DSE DTM EVE FIR " +
	"GGA GLL GNS GSA GSV HBT HDG HDM HDT HSC MDA MTA MTW MWD MWV OSD RMB RMC ROT RPM RSA RSD RTE THS TLB TLL " +
	"TTM TXT VBW VDR VHW VLW VPW VSD VTG VWR VWT WPL XDR XTE ZDA"

// TestGuard: the panics that are known are the only ones, they are still there, and another would do no harm.
func TestGuard(t *testing.T) {
	if _, err := guard(func() (nmea.Sentence, error) { panic("a new one") }); err != ReasonCrash {
		t.Errorf("a panic gives %v", err)
	}
	for name := range panics {
		if _, err := byLibrary(name, nil); err != ReasonValue {
			t.Errorf("%s without fields: %v", name, err)
		}
		if _, err := guard(func() (nmea.Sentence, error) {
			return nmea.Parse(strings.TrimSpace(string(Append(nil, '$', "GP"+name))))
		}); err != ReasonCrash {
			t.Errorf("go-nmea no longer panics at %s without fields: take it from panics", name)
		}
	}
	random := rand.New(rand.NewPCG(1, 1))
	words := append([]string{"", "", "1", "0", "-1", "99", "N", "A", "E", "M", "T", "120000", "4916.45"}, rubbish...)
	for name := range strings.FieldsSeq(knownToLibrary) {
		for range 500 {
			fields := make([]string, random.IntN(24))
			for i := range fields {
				fields[i] = words[random.IntN(len(words))]
			}
			if _, err := byLibrary(name, fields); err == ReasonCrash {
				t.Fatalf("go-nmea panics at %s of %q", name, fields)
			}
		}
	}
}

// rubbish is what fields of no kind hold.
var rubbish = []string{
	"NaN", "Inf", "-Inf", "0x1p4", "1e3", "x", "-", ".", "1.2.3", "+", "ZZ", "--1", "256199", "311345", "1_0",
	"99999999999999999999999", "00000000000000000000000000000000001", "é",
}

// draw makes random sentences.
type draw struct{ *rand.Rand }

func (d draw) one(of ...string) string { return of[d.IntN(len(of))] }

// often is true once in n times.
func (d draw) once(n int) bool { return d.IntN(n) == 0 }

// sentence makes one of the type: whole or shorter, in capitals or not, with empty fields, at times spoiled by rubbish.
func (d draw) sentence(f *format) (line string, spoiled bool) {
	var fields []string
	list := f.layout.fields
	if f.layout.repeats {
		list = slices.Repeat(list, 1+d.IntN(3))
	}
	if (f.name == "VTG" || f.name == "VHW") && d.once(4) {
		list = fourNumbers.fields
	}
	for i := range list {
		fields = append(fields, d.field(&list[i]))
	}
	for d.once(8) {
		fields[d.IntN(len(fields))] = d.one(rubbish...)
		spoiled = true
	}
	if d.once(3) {
		n := d.IntN(len(fields) + 1)
		fields, spoiled = fields[:n], true // a coordinate may have lost its letter
	}
	body := strings.Join(append([]string{f.name}, fields...), ",")
	if d.once(5) {
		body = strings.ToLower(body)
	}
	return string(Append(nil, '$', "ii"+body)), spoiled
}

// field draws the text of a field; of the kinds that depend on another field something that may not fit it.
func (d draw) field(f *field) string {
	if d.once(6) {
		return ""
	}
	switch f.kind {
	case "num":
		limits := [][2]float64{{0, 360}, {0, 360}, {-90, 90}, {0, 9}, {0, 0}, {-400, 400}}[d.IntN(6)]
		return fmt.Sprintf("%.*f", d.IntN(5), limits[0]+d.Float64()*(limits[1]-limits[0]))
	case "int":
		return fmt.Sprint(d.IntN([]int{10, 32, 300}[d.IntN(3)]) + 1980*d.IntN(2))
	case "time":
		return fmt.Sprintf("%02d%02d%02d", d.IntN(25), d.IntN(61), d.IntN(62)) + d.one("", ".0", ".25", ".999", ".")
	case "date":
		return fmt.Sprintf("%02d%02d%02d", d.IntN(32), d.IntN(14), d.IntN(100))
	case "lat":
		return fmt.Sprintf("%02d%07.4f", d.IntN(92), d.Float64()*60.5)
	case "lon":
		return fmt.Sprintf("%03d%07.4f", d.IntN(182), d.Float64()*60.5)
	case "status":
		return d.one("A", "V", "D")
	case "modes":
		return d.one("A", "N", "AN", "NA", "RR", "DDP", "F", "E", "M", "S")
	case "text":
		return d.one("PTCH", "Pitch", "ROLL", "heel_1", "WTMP", "WATER_T", "ENV_OUTSIDE_T",
			"Air", "Barometer", "BARO", "HUMI_0", "house", `AIR\1`)
	case "-":
		return d.one("f", "M", "1.0")
	}
	return string(f.letters[d.IntN(len(f.letters))])
}
