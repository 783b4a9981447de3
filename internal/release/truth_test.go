package release

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func (b *bench) reads(version, by, reason string) {
	b.t.Helper()
	changes, err := b.follower.Confirm(b.now, "1.1", Reading{version, by, reason})
	if err != nil {
		b.t.Fatal(err)
	}
	b.note(changes)
}

// TestHandAgainstNetwork: what a person read never overrules what the network shows.
func TestHandAgainstNetwork(t *testing.T) {
	for _, tt := range []struct {
		name    string
		do      func(*bench)
		want    []string
		settled int
	}{
		{"the network shows the old version", func(b *bench) {
			b.reads("4.50", "Ana", "")
		}, []string{"1.1 waiting>disputed disputed"}, 0},
		{"they agree later", func(b *bench) {
			b.reads("4.50", "Ana", "")
			b.comes("LF9 4.50")
			b.run(2 * time.Minute)
		}, []string{"1.1 waiting>disputed disputed", "1.1 disputed>left", "1.1 left>back", "1.1 back>identified", "1.1 identified>verified"}, 0},
		{"somebody signs for the difference", func(b *bench) {
			b.reads("4.50", "Ana", "")
			b.reads("4.50", "Ana", "the network module of this display is not updated")
			b.run(2 * time.Minute)
		}, []string{"1.1 waiting>disputed disputed", "1.1 disputed>identified (4.50 read off its screen by Ana)", "1.1 identified>verified"}, 1},
		{"read while it was away, and the network shows the old one afterwards", func(b *bench) {
			b.leaves()
			b.run(time.Minute)
			b.reads("4.50", "Ana", "")
			b.comes("LF9 4.47")
			b.run(2 * time.Minute)
		}, []string{"1.1 waiting>left", "1.1 left>identified (4.50 read off its screen by Ana)", "1.1 identified>verified", "1.1 verified>disputed disputed"}, 0},
		{"read while it was away, and the network shows that it lost a setting", func(b *bench) {
			b.leaves()
			b.run(time.Minute)
			b.reads("4.50", "Ana", "")
			b.comes("LF9 4.50")
			b.head().Installation = nil
			b.run(2 * time.Minute)
		}, []string{"1.1 waiting>left", "1.1 left>identified (4.50 read off its screen by Ana)", "1.1 identified>verified",
			"1.1 verified>identified (the network shows it too)", "1.1 identified>awaiting-reentry installation-lost"}, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t)
			b.run(10 * time.Second)
			tt.do(b)
			b.want(tt.want...)
			if s := b.follower.Status()[0]; len(s.Settled) != tt.settled {
				t.Errorf("settled: %+v", s.Settled)
			}
		})
	}
	b := newBench(t)
	if _, err := b.follower.Confirm(b.now, "1.1", Reading{Version: "4.50", Reason: "because"}); err == nil {
		t.Error("a reason without a name settles")
	}
}

// TestVoltageStays: a battery voltage that fell while the release was written is not repaired by what happens
// afterwards.
func TestVoltageStays(t *testing.T) {
	b := newBench(t)
	b.run(10 * time.Second)
	b.leaves()
	b.run(time.Minute)
	b.cond.SupplyVolts = ptr(10.8)
	b.run(time.Minute)
	b.cond.SupplyVolts = ptr(13.0)
	b.comes("LF9 4.50")
	kept := b.head().Installation
	b.head().Installation = nil
	b.run(2 * time.Minute)
	b.head().Installation = kept
	b.run(time.Minute)
	b.leaves()
	b.run(30 * time.Second)
	b.comes("LF9 4.50")
	b.run(2 * time.Minute)
	s := b.follower.Status()[0]
	if s.State != StepFailed || len(s.Failures) != 1 || s.Failures[0].Reason != ReasonSupply {
		t.Fatalf("%s %+v", s.State, s.Failures)
	}
	if s.Attempt != 2 || len(s.Attempts) != 1 || len(s.Attempts[0].Failures) == 0 {
		t.Errorf("attempt %d, before it %+v", s.Attempt, s.Attempts)
	}
	b.reads("4.50", "Ana", "")
	if s := b.follower.Status()[0]; s.State != StepFailed {
		t.Errorf("%s though nobody gave a reason", s.State)
	}
	b.reads("4.50", "Ana", "checked as the manufacturer says")
	b.run(time.Minute)
	s = b.follower.Status()[0]
	want := []Settled{{"Ana", b.now.Add(-time.Minute), "checked as the manufacturer says", "battery voltage fell to 10.8 V while it was away, below 12.0 V"}}
	if d := cmp.Diff(want, s.Settled); d != "" || s.State != StepVerified {
		t.Error(s.State, d)
	}
	if s := restored(t, b).Status()[0]; s.State != StepVerified {
		t.Error("not after a restart of the program:", s.State)
	}
}

// A new attempt at an update that did not take begins with a voltage of its own.
func TestVoltageOfTheNextAttempt(t *testing.T) {
	b := newBench(t)
	b.run(10 * time.Second)
	b.cond.SupplyVolts = ptr(10.8)
	b.leaves()
	b.run(time.Minute)
	b.comes("LF9 4.47")
	b.run(2 * time.Minute)
	b.cond.SupplyVolts = ptr(13.0)
	b.leaves()
	b.run(time.Minute)
	b.comes("LF9 4.50")
	b.run(2 * time.Minute)
	s := b.follower.Status()[0]
	if s.State != StepVerified || s.Attempt != 2 || len(s.Attempts) != 1 || *s.Attempts[0].LowestVolts != 10.8 || *s.LowestVolts != 13.0 ||
		s.Attempts[0].Failures[0].Reason != ReasonOldVersion {
		t.Errorf("%+v", s)
	}
}

// TestAbsences: an update that leaves the network twice was away from first to last, and each time is kept.
func TestAbsences(t *testing.T) {
	b := newBench(t)
	b.run(10 * time.Second)
	b.leaves()
	b.run(time.Minute)
	b.comes("LF9 4.47")
	b.run(10 * time.Second)
	b.leaves()
	b.run(2 * time.Minute)
	b.comes("LF9 4.50")
	b.run(time.Minute)
	b.comes("LF9 4.50") // so quick that it never counts as off the network
	b.run(2 * time.Minute)
	s := b.follower.Status()[0]
	at := func(seconds int) time.Duration { return time.Duration(seconds) * time.Second }
	want := []Absence{{start.Add(at(10)), start.Add(at(70))}, {start.Add(at(80)), start.Add(at(200))}}
	if d := cmp.Diff(want, s.Absences); d != "" {
		t.Error(d)
	}
	if s.LeftAt != want[0].From || s.BackAt != want[1].To || s.State != StepVerified || s.Attempt != 1 {
		t.Errorf("%+v", s)
	}
}
