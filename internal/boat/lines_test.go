package boat

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

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
	if d := cmp.Diff(want, r.Talkers); d != "" {
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
