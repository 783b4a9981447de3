package api

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/nmea0183"
	"muster/internal/ui/webtest"
)

func TestTrafficSentences(t *testing.T) {
	for _, tt := range []struct {
		name, line string
		want       TrafficSentence // without what is the same of all
		fields     string
	}{
		{"values", webtest.Sealed("$SDDPT,12.4,0.5,50"), TrafficSentence{Talker: "SD", Formatter: "DPT", Title: "Depth", Checksum: "good"}, "depth, transducer=12.4 m"},
		{"a position", webtest.Sealed("$GPGLL,4916.45,N,12311.12,W,225444,A"), TrafficSentence{Talker: "GP", Formatter: "GLL", Title: "Position, latitude and longitude", Checksum: "good"},
			"latitude=49° 16.4500′ N longitude=123° 11.1200′ W time of day=22:54:44.000 UTC"},
		{"nothing available", webtest.Sealed("$HCHDM,,M"), TrafficSentence{Talker: "HC", Formatter: "HDM", Title: "Magnetic heading", Checksum: "good"}, "heading, magnetic!not available"},
		{"a wrong checksum", "$SDDPT,12.4,0.5,50*00", TrafficSentence{Talker: "SD", Formatter: "DPT", Title: "Depth", Checksum: "bad"}, ""},
		{"no checksum", "$IIMTW,18.5,C", TrafficSentence{Talker: "II", Formatter: "MTW", Title: "Water temperature", Checksum: "missing"}, "water temperature=18.5 °C"},
		{"AIS, as gpsdecode reads it", webtest.Sealed("!AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n`DW5608EP,0"), TrafficSentence{Talker: "AI", Formatter: "VDM", Title: "AIS of others", Checksum: "good"},
			"message type=1 MMSI=367078250"},
		{"the first of two parts of AIS", "!AIVDM,2,1,1,A,55?MbV02;H;s<HtKR20EHE:0@T4@Dn2222222216L961O5Gf0NSQEp6ClRp8,0*1C",
			TrafficSentence{Talker: "AI", Formatter: "VDM", Title: "AIS of others", Checksum: "good"}, "message type=5 MMSI=351759000 name=EVER DIADEM call sign=3FOF8"},
		{"the second", "!AIVDM,2,2,1,A,88888888880,2*25", TrafficSentence{Talker: "AI", Formatter: "VDM", Title: "AIS of others", Checksum: "good"}, ""},
		{"a tag block", `\s:ST01,c:1700000000*` + fmt.Sprintf("%02X", nmea0183.Sum([]byte("s:ST01,c:1700000000"))) + `\` + webtest.Sealed("$HCHDM,90.0,M"),
			TrafficSentence{Talker: "HC", Formatter: "HDM", Title: "Magnetic heading", Checksum: "good", Tags: `\s:ST01,c:1700000000*3C\`, TagChecksum: "good"}, "heading, magnetic=90.0°"},
		{"proprietary", webtest.Sealed("$PLFMV,1,2"), TrafficSentence{Talker: "P", Formatter: "LFMV", Title: "Proprietary sentence of manufacturer LFM", Checksum: "good"}, ""},
		{"a query", webtest.Sealed("$CCGPQ,GGA"), TrafficSentence{Talker: "CC", Formatter: "Q", Title: "Query to GP", Checksum: "good"}, "wanted=GGA"},
		{"a text", webtest.Sealed("$GPTXT,01,01,02,ready"), TrafficSentence{Talker: "GP", Formatter: "TXT", Title: "Text", Checksum: "good"}, "text=ready"},
		{"its version", webtest.Sealed("$SDVER,1,1,SD,GAN,1,A-3,Gannet SD2,1.4.2,B,0"), TrafficSentence{Talker: "SD", Formatter: "VER", Title: "Version of the equipment", Checksum: "good"},
			"model=Gannet SD2 software=1.4.2 hardware=B serial=A-3"},
		{"a heartbeat", webtest.Sealed("$SDHBT,60,V,3"), TrafficSentence{Talker: "SD", Formatter: "HBT", Title: "Heartbeat", Checksum: "good"}, "status=not normal"},
		{"an unknown type", webtest.Sealed("$IIQQZ,7"), TrafficSentence{Talker: "II", Formatter: "QQZ", Checksum: "good"}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tr := NewTraffic(4)
			webtest.Hear(tr, "ttyUSB0", tt.line)
			list, seen, _ := tr.Sentences(0, SentenceFilter{}, 0)
			if len(list) != 1 || seen != 1 {
				t.Fatalf("%d sentences", len(list))
			}
			got := *list[0]
			var fields []string
			for _, f := range got.Fields {
				if f.State != "" {
					fields = append(fields, f.Name+"!"+f.State)
				} else {
					fields = append(fields, f.Name+"="+f.Text)
				}
			}
			if text := strings.Join(fields, " "); text != tt.fields {
				t.Errorf("fields are %s, want %s", text, tt.fields)
			}
			tt.want.Number, tt.want.Time, tt.want.Network, tt.want.Device = 1, event.ClockSet.Add(time.Second), "ttyUSB0", "ttyUSB0/"+tt.want.Talker
			tt.want.Sentence = strings.TrimPrefix(tt.line, tt.want.Tags)
			got.Fields, got.text = nil, nil
			if diff := cmp.Diff(tt.want, got, cmp.AllowUnexported(TrafficSentence{})); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// TestSentenceEscaped: what does not print steers no screen; a checksum over it may be right.
func TestSentenceEscaped(t *testing.T) {
	tr := NewTraffic(1)
	webtest.Hear(tr, "tty", webtest.Sealed("$GPTXT,01,01,02,caf\xe9\x1b[2J"))
	list, _, _ := tr.Sentences(0, SentenceFilter{}, 0)
	if len(list) != 1 || !strings.HasPrefix(list[0].Sentence, `$GPTXT,01,01,02,caf\xE9\x1B[2J*`) || list[0].Checksum != "good" {
		t.Fatalf("%+v", list)
	}
}

func TestSentenceFilter(t *testing.T) {
	tr := NewTraffic(0)
	webtest.Hear(tr, "bow", webtest.Sealed("$SDDPT,1.0,0.0"), webtest.Sealed("$GPZDA,,,,,,"), webtest.Sealed("$PLFMV,1"))
	webtest.Hear(tr, "mast", webtest.Sealed("$GPZDA,,,,,,"), "$GPZDA,1*00")
	for _, tt := range []struct {
		filter SentenceFilter
		most   int
		want   []uint64
	}{
		{SentenceFilter{}, 0, []uint64{1, 2, 3, 4, 5}},
		{SentenceFilter{}, 2, []uint64{4, 5}},
		{SentenceFilter{Network: "bow"}, 0, []uint64{1, 2, 3}},
		{SentenceFilter{Device: "mast/GP"}, 0, []uint64{4, 5}},
		{SentenceFilter{Device: "mast/SD"}, 0, nil},
		{SentenceFilter{Device: "C0788C00FA200001"}, 0, nil},
		{SentenceFilter{Talker: "gp"}, 0, []uint64{2, 4, 5}},
		{SentenceFilter{Talker: "P", Formatter: "LFMV"}, 0, []uint64{3}},
		{SentenceFilter{Formatter: "DPT"}, 0, []uint64{1}},
	} {
		list, _, _ := tr.Sentences(0, tt.filter, tt.most)
		var got []uint64
		for _, s := range list {
			got = append(got, s.Number)
		}
		if !slices.Equal(got, tt.want) {
			t.Errorf("%+v: %v, want %v", tt.filter, got, tt.want)
		}
	}
}

// TestNewestSentences: of what differs in its numbers only, the last.
func TestNewestSentences(t *testing.T) {
	tr := NewTraffic(0)
	var lines []string
	for i := range 20 {
		lines = append(lines, webtest.Sealed(fmt.Sprintf("$WIMWV,%d.0,R,12.4,N,A", 10+i)), webtest.Sealed(fmt.Sprintf("$WIMWV,%d.0,T,11.4,N,A", 10+i)), // apparent, true
			webtest.Sealed(fmt.Sprintf("$IIRPM,E,1,%d.0,,A", 1000+i)), webtest.Sealed(fmt.Sprintf("$IIRPM,E,2,%d.0,,A", 1000+i)),
			webtest.Sealed(fmt.Sprintf("$IIXDR,A,1%d.0,D,PTCH", i)), webtest.Sealed(fmt.Sprintf("$IIXDR,A,1%d.0,D,ROLL", i)),
			"$WIMWV,045.0,R,12.4,N,A*00", "!AIVDM,2,1,1,A,55?MbV02;H;s<HtKR20EHE:0@T4@Dn2222222216L961O5Gf0NSQEp6ClRp8,0*1C", "!AIVDM,2,2,1,A,88888888880,2*25",
			webtest.Sealed("!AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n`DW5608EP,0"), webtest.Sealed("!AIVDM,1,1,,A,15Muq70001G?tRrM5M4P8?v4080u,0"))
	}
	webtest.Hear(tr, "tty", lines...)
	list, seen := tr.NewestSentences(0, SentenceFilter{})
	if len(list) != 10 || seen != uint64(len(lines)) || list[0].Number <= uint64(len(lines)-11) {
		for _, s := range list {
			t.Log(s.Number, s.Sentence)
		}
		t.Errorf("%d of %d are left", len(list), seen)
	}
	if list, _ := tr.NewestSentences(seen, SentenceFilter{}); len(list) != 0 {
		t.Errorf("%d came again", len(list))
	}
}

// fullLine is a second of a line of 38,400 baud, full of the shortest sentences that carry a value.
func fullLine() (lines []string) {
	for used := 0; used < 38400/10; {
		line := webtest.Sealed(fmt.Sprintf("$HCHDM,%d,M", len(lines)%10))
		used += len(line) + 2
		lines = append(lines, line)
	}
	return lines
}

// TestFullLine: of a full line nothing is lost between two turns.
func TestFullLine(t *testing.T) {
	tr, lines := NewTraffic(0), fullLine()
	if len(lines) < 200 {
		t.Fatalf("only %d sentences fill the line", len(lines))
	}
	webtest.Hear(tr, "mast", "$HCHDM,0,M")
	webtest.Hear(tr, "mast", lines...)
	list, seen, lost := tr.Sentences(1, SentenceFilter{}, 0)
	if lost != 0 || len(list) != len(lines) || seen != uint64(len(lines)+1) {
		t.Errorf("%d of %d, %d lost", len(list), len(lines), lost)
	}
}

// TestSentenceStream: sentences come to readers that ask for them, and to no other; each reader resumes where it was.
func TestSentenceStream(t *testing.T) {
	tr := NewTraffic(8)
	s := serve(t, Options{Reports: webtest.NewReports(webtest.Sample(t)), Traffic: tr, EventEvery: 1})
	at := s.URL() + Prefix + "/messages/stream"
	payload := []byte{0, 1, 0, 0, 0, 0, 0, 0xFF}
	depth, wind := webtest.Sealed("$SDDPT,1.0,0.0"), webtest.Sealed("$WIMWV,45.0,R,12.4,N,A")
	webtest.Note(tr, 128267, payload)
	webtest.Hear(tr, "bow", depth, wind)
	webtest.Note(tr, 128267, payload)

	for _, tt := range []struct {
		query, id string
		want      []string
	}{
		{"", "-0", []string{"-1 message ", "-2 message "}},
		{"?sentences=true", "-0-0", []string{"-1-0 message ", "-2-0 message ", "-2-1 sentence ", "-2-2 sentence "}}, // notes are of 1970
		{"?sentences=true", "-2-1", []string{"-2-2 sentence "}},
		{"?sentences=true&pgn=128267", "-1-0", []string{"-2 message "}},
		{"?talker=WI", "-0-0", []string{"-2-2 sentence "}},
		{"?formatter=DPT&latest=true", "-0-0", []string{"-2-1 sentence "}},
		{"?sentences=true&device=bow%2FWI", "-0-0", []string{"-2-2 sentence "}},
		{"?sentences=true&network=can0", "-1-0", []string{"-2-0 message "}},
	} {
		next, end := follow(t, at+tt.query, s.run+tt.id)
		for i, want := range tt.want {
			if strings.Contains(tt.query, "talker") || strings.Contains(tt.query, "formatter") || strings.Contains(tt.query, "device") { // not sent
				want = strings.Replace(want, "-2-", "-0-", 1)
			}
			if got := next(); !strings.HasPrefix(got, s.run+want) {
				t.Errorf("%s behind %s, %d: %.60q, want %q", tt.query, tt.id, i, got, want)
			}
		}
		end()
	}

	next, end := follow(t, at, "")
	for tr.sentences.latest() < 20 {
		webtest.Hear(tr, "bow", depth)
	}
	webtest.Note(tr, 128267, payload)
	if got := next(); !strings.HasPrefix(got, s.run+"-3 message ") {
		t.Errorf("who did not ask for sentences got %.60q", got)
	}
	end()
	next, end = follow(t, at+"?sentences=true", s.run+"-3-2")
	defer end()
	if got := next(); got != `skipped {"count":10}` {
		t.Errorf("got %.60q", got)
	}
}

func noteSentence(tr *Traffic) func() {
	var s nmea0183.Sentence
	_, err := nmea0183.Parse([]byte(webtest.Sealed("$GPRMC,120000.00,A,3755.3232,N,02301.0146,E,0.0,116.0,140914,4.2,E,D,V")), &s)
	if err != nil {
		panic(err)
	}
	return func() { tr.NoteSentence(&s, boat.Line{Network: "ttyUSB0", Time: 1}) }
}

// TestNoteSentenceAllocates: a sentence without a reader costs no memory once the ring is warm.
func TestNoteSentenceAllocates(t *testing.T) {
	tr := NewTraffic(16)
	add := noteSentence(tr)
	for range 16 {
		add()
	}
	if n := testing.AllocsPerRun(100, add); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkNoteSentence(b *testing.B) {
	add := noteSentence(NewTraffic(0))
	b.ReportAllocs()
	for b.Loop() {
		add()
	}
}

// BenchmarkFullLine is what a page takes of a second of a full line of 38,400 baud.
func BenchmarkFullLine(b *testing.B) {
	tr, lines := NewTraffic(0), fullLine()
	parsed := make([]nmea0183.Sentence, len(lines))
	for i, line := range lines {
		if _, err := nmea0183.Parse([]byte(line), &parsed[i]); err != nil {
			b.Fatal(err)
		}
	}
	after := uint64(0)
	b.ReportAllocs()
	for b.Loop() {
		for i := range parsed {
			tr.NoteSentence(&parsed[i], boat.Line{Network: "mast", Time: 1})
		}
		_, after = tr.NewestSentences(after, SentenceFilter{})
	}
	b.ReportMetric(float64(len(lines)), "sentences")
}

// FuzzTrafficSentence: whatever a line carries, each of its sentences can be shown, is what was received, and steers nothing.
func FuzzTrafficSentence(f *testing.F) {
	f.Add([]byte(webtest.Sealed("$GPRMC,120000.00,A,3755.3232,N,02301.0146,E,0.0,116.0,140914,4.2,E,D,V")))
	f.Add([]byte(`\g:1-2-3,s:x*00\!AIVDM,2,1,1,A,55?MbV02;H;s<HtKR20EHE:0@T4@Dn2222222216L961O5Gf0NSQEp6ClRp8,0*1C$GPTXT,1,1,1,<b>` + "\xff\x00 \r\n"))
	f.Add([]byte("UdPbC\x00\\s:a*00\\$IIVHW,,,,,,,,*00"))
	f.Fuzz(func(t *testing.T, line []byte) {
		tr := NewTraffic(8)
		webtest.Hear(tr, "tty", string(line))
		list, _, _ := tr.Sentences(0, SentenceFilter{}, 0)
		tr.NewestSentences(0, SentenceFilter{})
		for _, s := range list {
			raw := tr.sentences.at(s.Number)
			if !json.Valid(s.text) || s.Talker+s.Formatter == "" || s.Checksum != raw.checksum.String() || strings.ContainsFunc(s.Sentence+s.Tags, func(c rune) bool { return c < 0x20 || c > 0x7E }) {
				t.Fatalf("%q became %s, its checksum was %s", line, s.text, raw.checksum)
			}
		}
	})
}
