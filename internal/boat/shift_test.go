package boat

import (
	"testing"
	"time"

	"muster/internal/event"
	"muster/pgn"
)

// TestShift: a clock that is set changes the times of the window, not the spans between them nor the past.
func TestShift(t *testing.T) {
	const boot, past = event.Time(90 * time.Second), event.Time(5 * time.Second)
	const by = 56 * 365 * 24 * time.Hour
	b := New(Options{})
	b.Feed(event.Event{Kind: event.KindNetwork, Time: boot, Info: &event.Network{ID: "can0", Kind: event.NMEA2000}})
	d := newDevice(b.nets[0], 35, pgn.NAME(7), true, boot)
	d.firstSeen = past
	b.nets[0].devices = append(b.nets[0].devices, d)
	b.Tick(boot.Add(time.Second))
	before := b.State().Window
	b.Shift(by)
	after := b.State().Window
	if got := after.MovedSince(before); got != by {
		t.Errorf("moved by %v", got)
	}
	if got := after.MovedSince(after) + (Window{From: 7, MovedMS: 9}).MovedSince(after) + (Window{From: 7}).MovedSince(before); got != 0 {
		t.Errorf("windows of no or of another clock: moved by %v", got)
	}
	if d.lastSeen != boot.Add(by) || d.firstSeen != past || b.Now() != boot.Add(by+time.Second) {
		t.Errorf("last %v, first %v, now %v", d.lastSeen, d.firstSeen, b.Now())
	}
	if st, _ := d.state(b.now); st != Present {
		t.Errorf("state %s", st)
	}
}
