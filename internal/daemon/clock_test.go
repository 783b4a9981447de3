package daemon

import (
	"encoding/binary"
	"fmt"
	"os"
	"testing"
	"time"

	"go.einride.tech/can"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/tap"
	"muster/pgn"
)

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
			if j := w.setBy(boot, 0); j != 0 {
				t.Errorf("first look: %v", j)
			}
			if j := w.setBy(tc.now, tc.elapsed); j != tc.want {
				t.Errorf("got %v", j)
			}
		})
	}
}

// board is a daemon moved by hand on a computer whose clock the test sets.
type board struct {
	t       *testing.T
	d       *Daemon
	wall    time.Time
	elapsed time.Duration
}

func newBoard(t *testing.T, dir string, wall time.Time) *board {
	return listeningBoard(t, dir, wall, "off")
}

func listeningBoard(t *testing.T, dir string, wall time.Time, listen string) *board {
	b := &board{t: t, wall: wall}
	opt := options(listen, map[string]tap.Source{"can0": newFake(nil)}, "can0")
	opt.Config.StateDir, opt.Sheets = dir, os.DirFS("../../deploy/sheets")
	opt.Now = func() time.Time { return b.wall }
	opt.elapsed = func() time.Duration { return b.elapsed }
	d, err := New(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	b.d = d
	t.Cleanup(func() { _ = d.Stop() })
	b.hear(network(event.At(wall), "can0", false))
	return b
}

// pass lets time pass by the second, in each of which devices send; the daemon reads its clock and makes a report.
func (b *board) pass(seconds int, frames func(now event.Time) []event.Event) {
	for range seconds {
		b.second(frames)
		b.check()
	}
}

func (b *board) second(frames func(now event.Time) []event.Event) {
	b.wall, b.elapsed = b.wall.Add(time.Second), b.elapsed+time.Second
	b.hear(frames(event.At(b.wall).Add(-10 * time.Millisecond))...)
	b.d.model.checkClock()
	b.d.model.watch.Advance(event.At(b.d.model.time.now()).Add(-lateness))
	b.d.model.publish()
}

func (b *board) set(to time.Time) { b.wall = to }

func (b *board) hear(events ...event.Event) {
	b.d.model.onClock(events)
	for i := range events {
		if err := b.d.model.feed(b.d.sources.inputs()[0], events[i:i+1]); err != nil {
			b.t.Fatal(err)
		}
	}
}

// check checks for what a badly handled clock shows: devices that are not there, intervals of years, times out of
// order.
func (b *board) check() {
	b.t.Helper()
	r := b.d.Report()
	for _, dev := range r.Devices {
		if dev.State != boat.Present || dev.FirstSeen > dev.LastSeen || dev.LastSeen > r.TakenAt {
			b.t.Fatalf("at %v: %s is %s, first seen %v, last %v", r.TakenAt, dev.ID, dev.State, dev.FirstSeen, dev.LastSeen)
		}
		for _, tr := range dev.Transmits {
			if tr.Interval != nil && tr.Interval.Max > 3000 {
				b.t.Fatalf("at %v: PGN %d has an interval of %.0f ms", r.TakenAt, tr.PGN, tr.Interval.Max)
			}
		}
	}
	for _, a := range r.Alerts {
		if a.Since > r.TakenAt || a.Until > r.TakenAt || a.Until != 0 && a.Until < a.Since {
			b.t.Fatalf("at %v: %s since %v until %v", r.TakenAt, a.ID, a.Since, a.Until)
		}
	}
	for _, n := range r.Networks {
		if n.Faults.TimeJumps != 0 {
			b.t.Fatalf("at %v: %d time jumps", r.TakenAt, n.Faults.TimeJumps)
		}
	}
}

func (b *board) accepts(clock boat.Clock, at time.Time) {
	b.t.Helper()
	r := b.d.Report()
	if off := r.TakenAt.Sub(event.At(at)); r.Clock != clock || off.Abs() > 2*time.Second {
		b.t.Errorf("clock %s, taken at %v, want %s at %v", r.Clock, r.TakenAt, clock, at.UTC())
	}
}

// frame is a single-frame message of 8 bytes.
func frame(at event.Time, number uint32, src uint8, data []byte) event.Event {
	e := event.Event{Time: at, Kind: event.KindFrame, Frame: can.Frame{ID: uint32(pgn.MakeID(3, number, src, pgn.Global)), IsExtended: true, Length: 8}}
	copy(e.Frame.Data[:], data)
	return e
}

// satellite is satellite time in a message that a receiver sends once a second.
func satellite(at event.Time, src uint8, utc time.Time) event.Event {
	data := binary.LittleEndian.AppendUint16([]byte{0, 0xF0}, uint16(utc.Unix()/86400))
	data = binary.LittleEndian.AppendUint32(data, uint32(utc.Unix()%86400)*10000+uint32(utc.Nanosecond()/100_000))
	return frame(at, 126992, src, data)
}

func depth(at event.Time) event.Event {
	return frame(at, 128267, 35, []byte{0xFF, 0x10, 0, 0, 0, 0xFF, 0x7F, 0xFF})
}

func sounder(now event.Time) []event.Event { return []event.Event{claim(now, nameA, 35), depth(now)} }

// TestClockIsSet: whatever the clock was before it is set, and whichever way it is set, what was received stays in order.
func TestClockIsSet(t *testing.T) {
	right := t0.UTC()
	for _, tc := range []struct {
		name  string
		start time.Time
		clock boat.Clock
	}{
		{"from 1970", time.Unix(60, 0), boat.ClockUnset},
		{"from when it was switched off", right.Add(-90 * 24 * time.Hour), boat.ClockSystem},
		{"back from the wrong zone", right.Add(3 * time.Hour), boat.ClockSystem},
		{"back a little", right.Add(7 * time.Second), boat.ClockSystem},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := newBoard(t, "", tc.start)
			b.pass(30, sounder)
			b.accepts(tc.clock, tc.start.Add(30*time.Second))
			old := event.At(b.wall)
			b.set(right)
			b.hear(depth(old.Add(200*time.Millisecond)), depth(event.At(b.wall).Add(300*time.Millisecond))) // one stamped just before
			b.pass(30, sounder)
			b.accepts(boat.ClockSystem, right.Add(30*time.Second))
			if first := b.d.Report().Devices[0].FirstSeen; first != event.At(right).Add(-29*time.Second-10*time.Millisecond) {
				t.Errorf("first seen %v", first)
			}
		})
	}
}

// TestSatelliteTime: a boat computer whose clock is not set follows satellite time once it has run evenly, until its
// own clock is set.
func TestSatelliteTime(t *testing.T) {
	right, start := t0.UTC(), time.Unix(60, 0)
	utc := func(now event.Time) time.Time { return right.Add(now.UTC().Sub(start)) }
	for _, tc := range []struct {
		name string
		tell func(now event.Time) []event.Event
		want bool
	}{
		{"one receiver", func(now event.Time) []event.Event { return []event.Event{satellite(now, 35, utc(now))} }, true},
		{"two that agree", func(now event.Time) []event.Event {
			return []event.Event{satellite(now, 35, utc(now)), satellite(now, 36, utc(now).Add(300*time.Millisecond))}
		}, true},
		{"one whose weeks ran over", func(now event.Time) []event.Event {
			return []event.Event{satellite(now, 35, utc(now)), satellite(now, 36, utc(now).Add(-1024*7*24*time.Hour))}
		}, true},
		{"two that disagree", func(now event.Time) []event.Event {
			return []event.Event{satellite(now, 35, utc(now)), satellite(now, 36, utc(now).Add(time.Hour))}
		}, false},
		{"one that wanders", func(now event.Time) []event.Event {
			return []event.Event{satellite(now, 35, utc(now).Add(4*now.UTC().Sub(start)))}
		}, false},
		{"none", func(event.Time) []event.Event { return nil }, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			b := newBoard(t, "", start)
			b.pass(20, func(now event.Time) []event.Event {
				return append([]event.Event{claim(now, nameA, 35), claim(now, nameA+1, 36), depth(now)}, tc.tell(now)...)
			})
			if !tc.want {
				b.accepts(boat.ClockUnset, start.Add(20*time.Second))
				return
			}
			b.accepts(boat.ClockGNSS, right.Add(20*time.Second))
			if got := b.d.model.time.now().Sub(right.Add(20 * time.Second)); got.Abs() > time.Second {
				t.Errorf("now is off by %v", got)
			}
			b.set(right.Add(21 * time.Second)) // the network is there
			b.pass(5, func(now event.Time) []event.Event {
				return []event.Event{claim(now, nameA, 35), claim(now, nameA+1, 36), depth(now)}
			})
			b.accepts(boat.ClockSystem, right.Add(26*time.Second))
		})
	}
	t.Run("not wanted", func(t *testing.T) {
		b := newBoard(t, "", start)
		b.d.model.time.takeGNSS = false
		b.pass(20, func(now event.Time) []event.Event {
			return []event.Event{claim(now, nameA, 35), satellite(now, 35, utc(now))}
		})
		b.accepts(boat.ClockUnset, start.Add(20*time.Second))
	})
}

// TestSatelliteTimeOfALine: RMC and ZDA hold it too.
func TestSatelliteTimeOfALine(t *testing.T) {
	for _, form := range []string{"GPZDA,150405.00,02,01,2006,00,00", "GPRMC,150405.00,A,5000.00,N,00100.00,W,0.0,0.0,020106,,,A"} {
		t.Run(form[2:5], func(t *testing.T) {
			right, start := t0.UTC().Truncate(time.Second), time.Unix(60, 0)
			b := newBoard(t, "", start)
			b.hear(event.Event{Kind: event.KindNetwork, Network: 1, Time: event.At(start), Info: &event.Network{ID: "gps", Kind: event.NMEA0183}})
			b.pass(20, func(now event.Time) []event.Event {
				text := right.Add(now.UTC().Sub(start)).Format(form)
				sum := byte(0)
				for i := range len(text) {
					sum ^= text[i]
				}
				return []event.Event{{Kind: event.KindLine, Network: 1, Time: now, Line: fmt.Appendf(nil, "$%s*%02X", text, sum)}}
			})
			b.accepts(boat.ClockGNSS, right.Add(20*time.Second))
		})
	}
}

// TestClockOfTheNextRun: a boat computer that starts in 1970 again goes on after what it kept, keeps when it first
// saw a device and since when an alert is open, and moves only what is of this run.
func TestClockOfTheNextRun(t *testing.T) {
	dir, right := t.TempDir(), t0.UTC()
	b := newBoard(t, dir, right)
	b.pass(30, sounder)
	first := b.d.Report().Devices[0].FirstSeen
	f := check.Finding{Check: "bus-load-high", Subject: "can0", Severity: check.Warning, Network: "can0", Summary: "busy", Since: event.At(right)}
	for _, c := range b.d.model.watch.Book().Update(event.At(b.wall), []check.Finding{f}) {
		b.d.model.changed(c)
	}
	b.d.model.publish()
	since := b.d.Report().Alerts[0].Since
	b.d.model.finish()
	if err := b.d.Stop(); err != nil {
		t.Fatal(err)
	}

	b = newBoard(t, dir, time.Unix(30, 0))
	b.pass(20, sounder)
	if r := b.d.Report(); r.Clock != boat.ClockUnset || r.TakenAt < event.At(right) || r.Devices[0].FirstSeen != first {
		t.Errorf("clock %s at %v, first seen %v", r.Clock, r.TakenAt, r.Devices[0].FirstSeen)
	}
	b.set(right.Add(24 * time.Hour))
	b.pass(20, sounder)
	b.accepts(boat.ClockSystem, right.Add(24*time.Hour+20*time.Second))
	r := b.d.Report()
	if r.Devices[0].FirstSeen != first {
		t.Errorf("first seen %v, was %v", r.Devices[0].FirstSeen, first)
	}
	i := 0
	for i < len(r.Alerts) && r.Alerts[i].Check != "bus-load-high" {
		i++
	}
	if i == len(r.Alerts) || r.Alerts[i].Since != since || r.Alerts[i].State != alert.StatusOpen {
		t.Errorf("alerts %+v, want bus-load-high since %v", r.Alerts, since)
	}
}

// TestAlertsMove: the times of an alert of this run move with the clock.
func TestAlertsMove(t *testing.T) {
	start, right := time.Unix(60, 0), t0.UTC()
	b := newBoard(t, "", start)
	b.d.opt.Config.Alerts = alert.Settings{}
	b.pass(20, func(event.Time) []event.Event { return nil })
	f := check.Finding{Check: "bus-load-high", Subject: "can0", Severity: check.Warning, Network: "can0", Summary: "busy"}
	b.d.model.watch.Book().Update(event.At(b.wall), []check.Finding{f})
	b.set(right)
	b.pass(1, func(event.Time) []event.Event { return nil })
	if a := b.d.Report().Alerts[0]; a.Since.Sub(event.At(right)).Abs() > 2*time.Second {
		t.Errorf("since %v", a.Since)
	}
}
