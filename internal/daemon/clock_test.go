package daemon

import (
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
)

func TestMarkClock(t *testing.T) {
	for _, tc := range []struct {
		name string
		live bool
		at   event.Time
		want boat.Clock
	}{
		{"set", true, t0, boat.ClockSystem},
		{"starts in 1970", true, event.Time(90 * time.Second), boat.ClockUnset},
		{"not this machine's time", false, event.Time(90 * time.Second), boat.ClockSystem},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := &boat.Report{Clock: boat.ClockSystem, TakenAt: tc.at}
			(&Daemon{live: tc.live}).markClock(r)
			if r.Clock != tc.want {
				t.Errorf("got %s", r.Clock)
			}
		})
	}
}

func TestWallClock(t *testing.T) {
	var w wallClock
	now := time.Now()
	if j := w.look(now); j != 0 {
		t.Errorf("first look: %v", j)
	}
	if j := w.look(now.Add(time.Hour)); j != 0 { // an hour passed
		t.Errorf("an hour passed: %v", j)
	}
}
