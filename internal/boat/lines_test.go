package boat

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"muster/internal/event"
)

func feedLines(opt Options, lines ...string) *Report {
	b := New(opt)
	b.Feed(&event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}})
	for i, l := range lines {
		b.Feed(&event.Event{Kind: event.KindLine, Time: epoch.Add(time.Duration(i) * time.Second), Line: []byte(l)})
	}
	return b.Report()
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
		{Network: "ttyUSB0", Talker: "GP", Sentences: []Sentence{
			{Formatter: "GGA", Count: 4, Interval: &Interval{Mean: 2333.333, Min: 0, Max: 5000, SD: 2054.805}, ChecksumErrors: 1},
			{Formatter: "RMC", Count: 1},
		}},
		{Network: "ttyUSB0", Talker: "II", Sentences: []Sentence{{Formatter: "MTW", Count: 1}}},
	}
	facts := cmpopts.IgnoreTypes(event.Time(0), time.Duration(0))
	if d := cmp.Diff(want, r.Talkers, facts); d != "" {
		t.Error(d)
	}
	n := r.Networks[0]
	if d := cmp.Diff(Faults{ChecksumErrors: 2, GarbledLines: 1, UncheckedLines: 1}, n.Faults); d != "" || n.Frames != 8 {
		t.Error(n.Frames, d)
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
	b.Feed(&event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 38400}})
	for i, l := range lines {
		b.Feed(&event.Event{Kind: event.KindLine, Time: epoch.Add(time.Duration(i) * time.Second), Line: []byte(l)})
	}
	if got := b.Report().Networks[0].Line; got.Condition != "wrong-baud" || got.LikelyBaud != 4800 {
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
