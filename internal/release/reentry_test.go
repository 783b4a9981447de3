package release

import (
	"slices"
	"testing"
	"time"
)

// TestReadingKeepsWhatIsLost: no reading of a screen enters a setting again that the network shows to be lost.
func TestReadingKeepsWhatIsLost(t *testing.T) {
	b := newBench(t)
	i := slices.IndexFunc(b.follower.steps, func(s *Step) bool { return s.Device.Serial == "L9-0001" })
	rec, step := &b.follower.state.Steps[i], b.follower.steps[i].ID
	lost := Failure{Reason: ReasonInstance, Text: "set them again", Was: "device instance 1"}
	rec.Status.State, rec.Status.Failures, rec.Shown = StepReentry, []Failure{lost}, "LF9 "+b.follower.steps[i].To
	for _, read := range []string{"4.40", b.follower.steps[i].To} {
		if _, err := b.follower.Confirm(start, step, Reading{Version: read, By: "Ana"}); err != nil {
			t.Fatal(err)
		}
		if !slices.Contains(rec.Status.Failures, lost) || rec.Status.State == StepVerified {
			t.Errorf("after %s was read: %s %v", read, rec.Status.State, rec.Status.Failures)
		}
	}
	if rec.Status.State != StepReentry {
		t.Errorf("it waits for its settings: %s", rec.Status.State)
	}
}

// TestReentryIsNoAttempt: a device that has the new release and restarts as its settings are entered is in the same attempt, and both times
// that it was away are kept; one that came back on the old release begins another.
func TestReentryIsNoAttempt(t *testing.T) {
	for state, attempts := range map[StepState]int{StepReentry: 1, StepFailed: 2} {
		b := newBench(t)
		w := &watch{f: b.follower, step: b.follower.steps[0], rec: &b.follower.state.Steps[0], now: start}
		w.absent(start, start)
		s := &w.rec.Status
		s.State, s.Failures = state, []Failure{{Reason: ReasonInstance, Was: "device instance 1"}}
		w.absent(start.Add(time.Minute), start.Add(time.Minute))
		if s.Attempt != attempts || len(s.Attempts) != attempts-1 || len(s.Absences) != 3-attempts || len(s.Failures) > 0 {
			t.Errorf("%s: %+v", state, s)
		}
	}
}
