package nmea0183

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/event"
)

// Sentences of the gpsd AIVDM page and its test data (the last four from memory; their checksums hold).
const (
	aisType1    = "!AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n`DW5608EP,0*13"
	aisType5a   = "!AIVDM,2,1,1,A,55?MbV02;H;s<HtKR20EHE:0@T4@Dn2222222216L961O5Gf0NSQEp6ClRp8,0*1C"
	aisType5b   = "!AIVDM,2,2,1,A,88888888880,2*25"
	aisType24   = "!AIVDM,1,1,,A,H42O55i18tMET00000000000000,2*6D"
	aisType24pB = "!AIVDM,1,1,,A,H42O55lti4hhhilD3nink000?050,0*40"
)

func sixBit(text string) (t SixBitText) {
	copy(t[:], text)
	return t
}

func TestJoiner(t *testing.T) {
	type step struct {
		in    string
		after time.Duration
		done  bool
		err   error
	}
	ever := AIS{Channel: 'A', Type: 5, MMSI: 351759000, Name: sixBit("EVER DIADEM"), CallSign: sixBit("3FOF8"), ShipType: 70, Bits: 424}
	tests := []struct {
		name  string
		steps []step
		want  AIS
		lost  uint64
	}{
		{"type 1", []step{{in: aisType1, done: true}}, AIS{Channel: 'B', Type: 1, MMSI: 367078250, Bits: 168}, 0},
		{"type 5 in two parts", []step{{in: aisType5a}, {in: aisType5b, after: time.Second, done: true}}, ever, 0},
		{"type 24 part A", []step{{in: aisType24, done: true}}, AIS{Channel: 'A', Type: 24, MMSI: 271041815, Name: sixBit("PROGUY"), Bits: 160}, 0},
		{"type 24 part B", []step{{in: aisType24pB, done: true}}, AIS{Channel: 'A', Type: 24, MMSI: 271041815, CallSign: sixBit("TC6163"), ShipType: 60, Bits: 168}, 0},
		{"own", []step{{in: "!AIVDO,1,1,,,15N4cJ`005Jrek0H@9n`DW5608EP", done: true}}, AIS{Own: true, Type: 1, MMSI: 367078250, Bits: 168}, 0},
		{"second part too late", []step{{in: aisType5a}, {in: aisType5b, after: 5 * time.Second, err: ReasonParts}}, AIS{}, 1},
		{"stamps went back", []step{{in: aisType5a}, {in: aisType5b, after: -time.Hour, err: ReasonParts}}, AIS{}, 1},
		{"first part lost", []step{{in: aisType5b, err: ReasonParts}}, AIS{}, 0},
		{"first part twice", []step{{in: aisType5a}, {in: aisType5a}, {in: aisType5b, done: true}}, ever, 1},
		{"second part twice", []step{{in: aisType5a}, {in: aisType5b, done: true}, {in: aisType5b, err: ReasonParts}}, AIS{}, 0},
		{"another channel", []step{{in: aisType5a}, {in: "!AIVDM,2,2,1,B,88888888880,2", err: ReasonParts}}, AIS{}, 0},
		{"of another source", []step{{in: `\s:a\` + aisType5a}, {in: `\s:b\` + aisType5b, err: ReasonParts}}, AIS{}, 0},
		{"a part left out", []step{{in: "!AIVDM,3,1,1,A,55?MbV02,0"}, {in: "!AIVDM,3,3,1,A,8888,0", err: ReasonParts}}, AIS{}, 1},
		{"fill bits left out", []step{{in: "!AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n`DW5608EP", done: true}}, AIS{Channel: 'B', Type: 1, MMSI: 367078250, Bits: 168}, 0},
		{"empty payload", []step{{in: "!AIVDM,1,1,,A,,0", err: ReasonValue}}, AIS{}, 0},
		{"not of the alphabet", []step{{in: "!AIVDM,1,1,,A,15N4cJ~005Jrek,0", err: ReasonValue}}, AIS{}, 0},
		{"part 0", []step{{in: "!AIVDM,1,0,,A,15N4cJ,0", err: ReasonValue}}, AIS{}, 0},
		{"fill bits 9", []step{{in: "!AIVDM,1,1,,A,15N4cJ,9", err: ReasonValue}}, AIS{}, 0},
		{"bad checksum", []step{{in: "!AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n`DW5608EP,0*14"}}, AIS{}, 0},
		{"other type", []step{{in: "$SDDPT,12.4,0.5,50*4C"}}, AIS{}, 0},
		{"short type 5", []step{{in: "!AIVDM,1,1,,A,55?MbV02;H;s<HtKR20,0", done: true}}, AIS{Channel: 'A', Type: 5, MMSI: 351759000, Bits: 114}, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var (
				j  Joiner
				m  AIS
				at = event.Time(1e18)
			)
			for _, step := range tt.steps {
				m = AIS{}
				at = at.Add(step.after)
				var s Sentence
				line := step.in
				if line[0] != '\\' {
					s = *parse(t, line)
				} else if _, err := Parse([]byte(line), &s); err != nil {
					t.Fatal(err)
				}
				done, err := j.Add(&s, at, &m)
				if done != step.done || err != step.err {
					t.Fatalf("Add(%s) = %v, %v, want %v, %v", step.in, done, err, step.done, step.err)
				}
			}
			if diff := cmp.Diff(tt.want, m); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if j.Lost != tt.lost {
				t.Errorf("Lost = %d, want %d", j.Lost, tt.lost)
			}
		})
	}
}

// TestJoinerBound begins more messages than there is room for: the oldest give way and are counted.
func TestJoinerBound(t *testing.T) {
	var (
		j Joiner
		m AIS
	)
	for i := range 2 * joinGroups {
		line := "!AIVDM,2,1," + string(rune('0'+i%10)) + "," + string(rune('A'+i/10)) + ",55?MbV02,0"
		if _, err := j.Add(parse(t, line), event.Time(1e18+i), &m); err != nil {
			t.Fatal(err)
		}
	}
	if j.Lost != joinGroups {
		t.Errorf("Lost = %d, want %d", j.Lost, joinGroups)
	}
}

func FuzzJoiner(f *testing.F) {
	f.Add([]byte(aisType5a+"\n"+aisType5b), uint32(0))
	f.Add([]byte(aisType1+"\n"+aisType24+"\n"+aisType24pB), uint32(1e9))
	f.Add([]byte("!AIVDM,9,1,,,0,0\n!AIVDM,9,2,,,0,0\n!AIVDM,9,3,,,,5\n"), uint32(1))
	f.Fuzz(func(t *testing.T, lines []byte, gap uint32) {
		var (
			j  Joiner
			m  AIS
			s  Sentence
			at event.Time
		)
		for rest := lines; rest != nil; {
			var err error
			rest, err = Parse(rest, &s)
			if err != nil {
				continue
			}
			if s.Checksum == ChecksumBad {
				s.Checksum = ChecksumMissing // so that the fuzzer need not find checksums
			}
			at += event.Time(gap)
			done, _ := j.Add(&s, at, &m)
			if done && (m.Type > 63 || m.MMSI >= 1<<30 || m.Bits < 38) {
				t.Fatalf("%q: %+v", s.Raw, m)
			}
			_ = m.Name.String() + m.CallSign.String()
		}
	})
}

func TestJoinerAllocs(t *testing.T) {
	var (
		j Joiner
		m AIS
	)
	a, b := parse(t, aisType5a), parse(t, aisType5b)
	if n := testing.AllocsPerRun(100, func() {
		_, _ = j.Add(a, 1, &m)
		_, _ = j.Add(b, 2, &m)
	}); n != 0 {
		t.Errorf("%v allocations a message, want 0", n)
	}
}
