package boat

import (
	"fmt"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"muster/internal/event"
	"muster/internal/nmea0183"
)

func feedLines(opt Options, lines ...string) *State {
	b := New(opt)
	b.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}})
	for i, l := range lines {
		b.Feed(event.Event{Kind: event.KindLine, Time: epoch.Add(time.Duration(i) * time.Second), Line: []byte(l)})
	}
	return b.State()
}

// sealed adds the checksum.
func sealed(body string) string {
	sum := byte(0)
	for i := range len(body) {
		sum ^= body[i]
	}
	return fmt.Sprintf("$%s*%02X", body, sum)
}

func TestTalkers(t *testing.T) {
	r := feedLines(Options{}, sealed("GPGGA,1"), sealed("GPRMC,1"), sealed("GPGGA,2"), "$GPGGA,3*00", "$IIMTW,1,C", "$IIVHW*00", "no sentence",
		sealed("GPGGA,3")+sealed("GPGGA,4"))
	want := []Talker{
		{Network: "ttyUSB0", Talker: "GP", Unit: "ttyUSB0/GP", Sentences: []Sentence{
			{Formatter: "GGA", Count: 4, Interval: &Interval{Mean: 2333.333, Min: 0, Max: 5000, SD: 2054.805}, ChecksumErrors: 1, Latest: sealed("GPGGA,4")},
			{Formatter: "RMC", Count: 1, Latest: sealed("GPRMC,1")},
		}},
		{Network: "ttyUSB0", Talker: "II", Unit: "ttyUSB0/II", Sentences: []Sentence{{Formatter: "MTW", Count: 1, Latest: "$IIMTW,1,C", Gives: []string{"water temperature"}}}},
	}
	facts := cmpopts.IgnoreTypes(event.Time(0), time.Duration(0))
	if d := cmp.Diff(want, r.Talkers, facts, cmpopts.IgnoreTypes([]Span(nil))); d != "" {
		t.Error(d)
	}
	n := r.Networks[0]
	if d := cmp.Diff(Faults{ChecksumErrors: 2, GarbledLines: 1, UncheckedLines: 1}, n.Faults); d != "" || n.Frames != 8 {
		t.Error(n.Frames, d)
	}
}

// TestGives: a sentence gives what it has values of, for a minute from the last one.
func TestGives(t *testing.T) {
	for _, c := range []struct {
		name  string
		lines []string // one a second
		later time.Duration
		want  []string
	}{
		{"with a fix", []string{"GPRMC,120000,A,5400.000,N,01000.000,E,5.0,90.0,010526,,"}, 0, []string{"position", "course and speed over ground", "time"}},
		{"and variation", []string{"GPRMC,120000,A,5400.000,N,01000.000,E,5.0,,010526,3.0,W"}, 0, []string{"position", "course and speed over ground", "magnetic variation", "time"}},
		{"without a fix", []string{"GPRMC,120000,V,5400.000,N,01000.000,E,5.0,90.0,010526,,"}, 0, nil},
		{"empty", []string{"GPGGA,,,,,,0,,,,,,,,"}, 0, nil},
		{"lost a second ago", []string{"GPGLL,5400.000,N,01000.000,E,120000,A", "GPGLL,,,,,120001,V"}, 0, []string{"position"}},
		{"lost a minute ago", []string{"GPGLL,5400.000,N,01000.000,E,120000,A"}, 59 * time.Second, []string{"position"}},
		{"lost longer ago", []string{"GPGLL,5400.000,N,01000.000,E,120000,A"}, 61 * time.Second, nil},
		{"of two kinds", []string{"WIXDR,C,17.5,C,WTMP,P,1.013,B,BARO"}, 0, []string{"water temperature", "atmospheric pressure"}},
		{"AIS", []string{"AIVDM,1,1,,A,15MgK45P3@G?fl0E`JbR0OwT0@MS,0"}, 0, []string{"AIS"}},
		{"nothing that heads choose", []string{"IIRPM,E,1,2400,,A"}, 0, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := New(Options{})
			b.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}})
			at := epoch
			for _, l := range c.lines {
				at = at.Add(time.Second)
				b.Feed(event.Event{Kind: event.KindLine, Time: at, Line: []byte(sealed(l))})
			}
			b.Tick(at.Add(c.later))
			r := b.State()
			if diff := cmp.Diff(c.want, r.Talkers[0].Sentences[0].Gives); diff != "" {
				t.Error(diff)
			}
			for _, q := range Quantities() {
				supplied := slices.ContainsFunc(r.Suppliers(q, r.TakenAt), func(s Supplier) bool { return s.Talker != nil })
				if supplied != slices.Contains(c.want, q.Name) {
					t.Errorf("%s: supplied is %v", q.Name, supplied)
				}
			}
		})
	}
}

func TestLatestSentenceIsBounded(t *testing.T) {
	long := sealed("GPTXT,01,01,02," + strings.Repeat("x", 300))
	r := feedLines(Options{}, sealed("GPTXT,01,01,02,a"), long)
	if got := r.Talkers[0].Sentences[0].Latest; got != long[:maxLatest] {
		t.Errorf("%d bytes are kept: %s", len(got), got)
	}
}

func TestVersionSentenceInParts(t *testing.T) {
	r := feedLines(Options{}, sealed("AIVER,2,1,AI,GNT,77,000321,,,,0"), sealed("AIVER,2,2,,,,,Gannet A1,3.2,B,0"))
	want := &TalkerIdentity{DeviceType: "AI", Vendor: "GNT", UniqueID: "77", Serial: "000321", Model: "Gannet A1", Software: "3.2", Hardware: "B"}
	if d := cmp.Diff(want, r.Talkers[0].Identity); d != "" {
		t.Error(d)
	}
}

func TestTalkerTellsOfItself(t *testing.T) {
	r := feedLines(Options{}, sealed("SDVER,1,1,SD,GAN,1,42,Gannet SD2^2C bronze,1.4,A,0"),
		sealed("SDHBT,30.0,A,8"), sealed("SDHBT,30.0,A,9"), sealed("SDHBT,30.0,A,1"), sealed("SDHBT,30.0,V,2"),
		sealed("SDTXT,01,01,01,ready"), sealed("SDTXT,01,01,02,no bottom"), sealed("SDTXT,01,01,01,ready"))
	got := r.Talkers[0]
	if got.Identity == nil || got.Identity.Model != "Gannet SD2, bronze" {
		t.Errorf("%+v", got.Identity)
	}
	no := false
	if d := cmp.Diff(&Heartbeat{At: epoch.Add(4 * time.Second), Normal: &no, IntervalSec: 30, Lost: 1}, got.Heartbeat); d != "" {
		t.Error(d)
	}
	texts := []Text{{At: epoch.Add(6 * time.Second), ID: "02", Text: "no bottom"}, {At: epoch.Add(7 * time.Second), ID: "01", Text: "ready"}}
	if d := cmp.Diff(texts, got.Texts); d != "" {
		t.Error(d)
	}
	d, ok := got.Device(r.TakenAt)
	if !ok || d.ID != "ttyUSB0/SD" || d.Role != RoleDepth || d.Product.Software != "1.4" {
		t.Errorf("%v %+v", ok, d)
	}
}

func TestTextsAreBounded(t *testing.T) {
	var lines []string
	for i := range 40 {
		lines = append(lines, sealed(fmt.Sprintf("SDTXT,01,01,01,text %d", i)))
	}
	if n := len(feedLines(Options{}, lines...).Talkers[0].Texts); n != maxTexts {
		t.Errorf("%d texts", n)
	}
}

func TestLikelyBaud(t *testing.T) {
	var lines []string
	for range 20 { // what a receiver eight times too fast makes of 4800 baud
		lines = append(lines, string([]byte{0x00, 0x80, 0x80, 0x00, 0x80, 0x00, 0x80, 0x00, 0x00, 0x00, 0x80, 0x80}))
	}
	b := New(Options{})
	b.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 38400}})
	for i, l := range lines {
		b.Feed(event.Event{Kind: event.KindLine, Time: epoch.Add(time.Duration(i) * time.Second), Line: []byte(l)})
	}
	if got := b.State().Networks[0].Line; got.Condition != "wrong-baud" || got.LikelyBaud != 4800 {
		t.Errorf("%+v", got)
	}
}

func TestTalkersAreBounded(t *testing.T) {
	var lines []string
	for i := range 2000 {
		lines = append(lines, sealed(fmt.Sprintf("%c%cGG%c,1", 'A'+i%26, 'A'+i/26%26, 'A'+i/676)))
	}
	r := feedLines(Options{MaxTalkers: 8, MaxSentences: 2}, lines...)
	if len(r.Talkers) != 8 || r.Networks[0].Faults.Untracked == 0 {
		t.Errorf("%d talkers, %d untracked", len(r.Talkers), r.Networks[0].Faults.Untracked)
	}
}

// TestTalkerThatDoesNotAnswer: three queries, ours or another's on the line, are left unanswered; the one that answers is known.
func TestTalkerThatDoesNotAnswer(t *testing.T) {
	run := func(after time.Duration, steps ...func(*Boat, event.Time)) Talker {
		t.Helper()
		b := New(Options{})
		b.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}})
		at := epoch
		for _, step := range steps {
			step(b, at)
			at = at.Add(time.Minute)
		}
		b.Tick(b.Now().Add(after))
		r := b.State()
		i := slices.IndexFunc(r.Talkers, func(x Talker) bool { return x.Talker == "GP" })
		if i < 0 {
			t.Fatalf("%+v", r.Talkers)
		}
		if n := r.Networks[0]; n.Faults != (Faults{}) {
			t.Errorf("faults %+v", n.Faults)
		}
		checkSchema(t, encode(t, r))
		return r.Talkers[i]
	}
	line := func(text string, sent bool) func(*Boat, event.Time) {
		return func(b *Boat, at event.Time) {
			b.Feed(event.Event{Kind: event.KindLine, Time: at, Line: []byte(text), Sent: sent})
		}
	}
	speaks, ours, theirs := line(sealed("GPRMC,,V,,,,,,,,,,N"), false), line(sealed("IIGPQ,VER"), true), line(sealed("CCGPQ,VER"), false)
	answers := line(sealed("GPVER,1,1,GP,GAN,1,42,Gannet GP1,3.14,B,0"), false)
	position := line(sealed("IIGPQ,GGA"), true)
	for _, tt := range []struct {
		name  string
		after time.Duration
		steps []func(*Boat, event.Time)
		want  string
	}{
		{"asked by us", 6 * time.Second, []func(*Boat, event.Time){speaks, ours, ours, ours}, "no answer, 3 requests"},
		{"asked by another", 6 * time.Second, []func(*Boat, event.Time){speaks, theirs, theirs, theirs, theirs}, "no answer, 4 requests"},
		{"just asked", 4 * time.Second, []func(*Boat, event.Time){speaks, ours, ours, ours}, ""},
		{"asked twice", time.Hour, []func(*Boat, event.Time){speaks, ours, ours}, ""},
		{"asked for something else", time.Hour, []func(*Boat, event.Time){speaks, position, position, position}, ""},
		{"answered", time.Hour, []func(*Boat, event.Time){speaks, ours, ours, ours, answers}, ""},
		{"asked before it was heard", time.Hour, []func(*Boat, event.Time){ours, ours, ours, speaks}, ""},
	} {
		if got := run(tt.after, tt.steps...); got.Unanswered != tt.want {
			t.Errorf("%s: %q, want %q", tt.name, got.Unanswered, tt.want)
		}
	}
	if got := run(0, speaks, ours, ours); got.Sentences[0].Count != 1 || len(got.Sentences) != 1 {
		t.Errorf("our own lines are counted: %+v", got.Sentences)
	}
}

// TestMemoryOfLinesIsBounded: once a line has as many talkers with as many sentence types as are kept, nothing that follows makes the
// model larger: not new talkers, formatters, texts and versions, nor noise, torn messages and vessels.
func TestMemoryOfLinesIsBounded(t *testing.T) {
	b := New(Options{MaxTalkers: 16, MaxSentences: 16})
	b.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 38400}})
	at, random := epoch, rand.New(rand.NewPCG(1, 2))
	var text, line []byte
	letters := func(n int) {
		for range n {
			text = append(text, 'A'+byte(random.IntN(26)))
		}
	}
	ev := event.Event{Kind: event.KindLine}
	feed := func(n int) {
		for range n {
			at = at.Add(7 * time.Millisecond)
			text = text[:0]
			start := byte('$')
			switch random.IntN(8) {
			case 0: // an invented formatter
				letters(5)
				text = append(text, ",1,2,3"...)
			case 1:
				letters(2)
				text = fmt.Appendf(text, "TXT,01,01,%02d,banner %d", random.IntN(100), random.Int())
			case 2:
				letters(2)
				text = fmt.Appendf(text, "VER,2,%d,GP,GAN,%d,%d,Gannet GP1,3.14,B,%d", 1+random.IntN(2), random.Int32(), random.Int32(), random.IntN(10))
			case 3:
				letters(2)
				text = fmt.Appendf(text, "DPT,%.1f,0.5,", 100*random.Float64())
			case 4: // another manufacturer
				text = append(text, 'P')
				letters(6)
				text = append(text, ",1"...)
			case 5: // a part of a message
				start = '!'
				letters(2)
				text = fmt.Appendf(text, "VDM,3,%d,%d,A,15N4cJ%dr,0", 1+random.IntN(3), random.IntN(10), random.Int32())
			case 6: // another vessel: its number's lowest bits are in the seventh symbol
				start = '!'
				text = fmt.Appendf(text, "AIVDM,1,1,,A,1%05dP00000000000000000000,0", random.IntN(100000))
			case 7:
				for range random.IntN(200) {
					text = append(text, byte(random.IntN(256)))
				}
			}
			line = nmea0183.Append(line[:0], start, string(text))
			ev.Time, ev.Line = at, line
			b.Feed(ev)
		}
	}
	heap := func() uint64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.GC()
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	feed(100_000)
	before := heap()
	feed(300_000)
	if after := heap(); after > before+64<<10 {
		t.Errorf("the heap grew from %d to %d bytes", before, after)
	}
	r := b.State()
	if n := r.Networks[0]; len(r.Talkers) != 16 || n.Faults.Untracked == 0 || n.Faults.GarbledLines == 0 {
		t.Errorf("%d talkers, %+v", len(r.Talkers), n.Faults)
	}
	for i := range r.Talkers {
		if k := &r.Talkers[i]; len(k.Sentences) > 16 || len(k.Texts) > maxTexts || k.AIS != nil && k.AIS.Targets > maxTargets {
			t.Errorf("%s: %d sentences, %d texts, %+v", k.Talker, len(k.Sentences), len(k.Texts), k.AIS)
		}
	}
}

// TestOnSentence: every sentence is handed on as received: spoilt ones, those of a talker that is not kept,
// encapsulated ones behind tag blocks, our own.
func TestOnSentence(t *testing.T) {
	var got []string
	b := New(Options{MaxTalkers: 1, OnSentence: func(s *nmea0183.Sentence, in Line) {
		got = append(got, fmt.Sprintf("%s %d %v %s %s%s", in.Network, in.Time, in.Sent, s.Checksum, s.Tags(), s.Raw))
	}})
	b.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "bow", Kind: event.NMEA0183}})
	for i, line := range []string{"$SDDPT,1.0,0.0*56", "$SDDPT,1.0,0.0*00", "$IIMTW,18.5,C", "UdPbC\x00\\s:x*31\\!AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n`DW5608EP,0*13\r\n", "noise", "$GPZDA,1$GPZDA,2*56"} {
		b.Feed(event.Event{Kind: event.KindLine, Time: event.Time(i + 1), Line: []byte(line)})
	}
	b.Feed(event.Event{Kind: event.KindLine, Time: 7, Line: []byte("$CCSDQ,VER*2B"), Sent: true})
	want := []string{"bow 1 false good $SDDPT,1.0,0.0*56", "bow 2 false bad $SDDPT,1.0,0.0*00", "bow 3 false missing $IIMTW,18.5,C",
		"bow 4 false good \\s:x*31\\!AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n`DW5608EP,0*13", "bow 6 false good $GPZDA,2*56", "bow 7 true good $CCSDQ,VER*2B"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}
