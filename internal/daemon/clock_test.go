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
	boot := time.Unix(60, 0)
	for _, tc := range []struct {
		name    string
		now     time.Time
		elapsed time.Duration
		want    time.Duration
	}{
		{"an hour passed", boot.Add(time.Hour), time.Hour, 0},
		{"drift is no jump", boot.Add(time.Hour + time.Second), time.Hour, 0},
		{"set", boot.Add(9000 * time.Hour), time.Hour, 8999 * time.Hour},
		{"set back", boot.Add(-time.Hour), time.Minute, -61 * time.Minute},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var w wallClock
			if j := w.look(boot, 0); j != 0 {
				t.Errorf("first look: %v", j)
			}
			if j := w.look(tc.now, tc.elapsed); j != tc.want {
				t.Errorf("got %v", j)
			}
		})
	}
}

// TestClockIsSet: a board that starts in 1970 and learns the time later keeps its devices present, whichever comes first: the
// first event on the new clock, or one still stamped by the old.
func TestClockIsSet(t *testing.T) {
	now := time.Unix(60, 0)
	opt := keptOptions(t, "")
	opt.Now = func() time.Time { return now }
	d, err := New(opt)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Stop()
	in := d.inputs[0]
	d.began = time.Now()
	d.lookAtClock(0)
	give := func(e event.Event) {
		d.onClock(&e)
		if err := d.feed(in, &e); err != nil {
			t.Fatal(err)
		}
	}
	give(network(event.At(now), "can0", false))
	give(claim(event.At(now), nameA, 35))
	now = t0.UTC()
	give(claim(event.At(now).Add(time.Second), nameA, 35))
	give(claim(event.Time(62*time.Second), nameA+1, 36))
	d.publish()
	for _, dev := range d.Report().Devices {
		if dev.State != boat.Present || dev.FirstSeen < clockSet {
			t.Errorf("%s is %s, first seen %v", dev.ID, dev.State, dev.FirstSeen)
		}
	}
	if r := d.Report(); len(r.Devices) != 2 || r.Clock != boat.ClockSystem {
		t.Errorf("%d devices, clock %s", len(r.Devices), r.Clock)
	}
}
