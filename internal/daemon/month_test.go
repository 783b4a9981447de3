package daemon

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/sim"
	"muster/internal/store"
	"muster/internal/tap"
	"muster/internal/trend"
)

// longStay is a boat on which the same things go wrong three times a day: devices restart, are updated, fall silent, give wrong values;
// the bus has errors, and is nearly full for twenty seconds.
const longStay = `
title: A long stay
boat: {name: Sandpiper, latitude: 50.05, longitude: -4.9}
devices:
  - {id: gnss, manufacturer: 2002, class: 60, function: 145, unique: 3, address: 10, model: Gannet GP1 receiver, software: "3.14",
     sends: [{pgn: 129025, every: 4s}, {pgn: 129026, every: 4s}]}
  - {id: sounder, manufacturer: 2002, class: 60, function: 130, unique: 5, address: 12, model: Gannet SD2 sounder, software: "5.02", sends: [{pgn: 128267, every: 5s}]}
  - {id: compass-a, manufacturer: 2002, class: 60, function: 140, unique: 6, address: 13, model: Gannet HC3 compass, software: "1.6.2", sends: [{pgn: 127250, every: 4s}]}
  - {id: compass-b, manufacturer: 2002, class: 60, function: 140, unique: 7, instance: 1, address: 14, model: Gannet HC3 compass, software: "1.6.2", sends: [{pgn: 127250, every: 4s}]}
  - {id: battery, manufacturer: 2003, class: 35, function: 170, unique: 8, address: 20, model: Sanderling Tavrik 7 monitor, software: "3.20", sends: [{pgn: 127508, every: 10s}]}
  - {id: pilot, manufacturer: 2001, class: 40, function: 150, unique: 16, address: 27, model: Larkfin LP7 pilot, software: "2.31", sends: [{pgn: 127245, every: 10s}]}
lines:
  - {id: wind, sentences: [{talker: WI, formatter: MWV, every: 20s}]}
timeline:
  - {at: 10m, do: power-cycle, device: pilot, for: 20s}
  - {at: 30m, do: silence, device: sounder, for: 25m}
  - {at: 80m, do: wrong-data, device: compass-b, quantity: heading, add: 40, for: 15m}
  - {at: 110m, do: update, device: battery, for: 2m, software: "3.21"}
  - {at: 150m, do: error-frames, rate: 20, for: 90s}
  - {at: 180m, do: load, share: 0.9, for: 20s}
  - {at: 200m, do: bad-checksums, line: wind, share: 0.5, for: 10m}
  - {at: 250m, do: line-silence, line: wind, for: 20m}
  - {at: 300m, do: update, device: battery, for: 2m, software: "3.20"}
  - {at: 330m, do: power-cycle, device: pilot, for: 20s}
repeat: 8h
`

// turn is what was measured at the end of one repeat of the scenario.
type turn struct {
	heap       uint64 // bytes in use after a collection
	goroutines int
	file       int64  // bytes of the store's file
	written    uint64 // by the store so far
	raised     int
}

// TestMonth runs a boat for a month of its own time, a day unless nothing may skip, through the model, the checks, the alerts, the store,
// the pages' history and a webhook. Whatever grows with time would show.
func TestMonth(t *testing.T) {
	const every = 8 * time.Hour
	days := 1
	switch {
	case testing.Short():
		t.Skip("a day of a boat; -short is set")
	case os.Getenv("MUSTER_TEST_ALL") == "1":
		days = 30
	}
	hook := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { _, _ = io.Copy(io.Discard, r.Body) }))
	defer hook.Close()
	sc, err := sim.Parse(t.Context(), "long-stay.yaml", []byte(longStay))
	if err != nil {
		t.Fatal(err)
	}
	boatSim := sim.New(sc, 1, t0)
	var clock atomic.Int64 // the notifiers read it too
	clock.Store(int64(t0))
	opt := options("127.0.0.1:0", map[string]tap.Source{"can0": newFake(nil)}, "can0")
	opt.Now = func() time.Time { return event.Time(clock.Load()).UTC() }
	opt.Config.StateDir = t.TempDir()
	opt.Config.Checks.Every = time.Minute
	opt.Config.Notify = []config.Target{{ID: "hook", Webhook: hook.URL}}
	d, err := New(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer func() {
		cancel()
		d.notifiers.wait()
		for _, l := range d.notifiers.list() {
			l.client.CloseIdleConnections()
		}
		if err := d.Stop(); err != nil {
			t.Error(err)
		}
	}()
	fillTrends(d)
	raised := 0
	told := d.model.watch.OnChange
	d.model.watch.OnChange = func(c alert.Change) {
		if c.Kind == alert.Raised {
			raised++
		}
		told(c)
	}
	d.notifiers.begin(ctx, opt.Config.Notify)

	var turns []turn
	events, fed, began := make([]event.Event, batchEvents), 0, time.Now()
	for range days * int(24*time.Hour/every) {
		for range every / time.Minute {
			now := event.Time(clock.Add(int64(time.Minute)))
			for {
				n, err := boatSim.ReadUntil(now.Add(-lateness), events)
				if err != nil {
					t.Fatal(err)
				}
				if n == 0 {
					break
				}
				fed += n
				d.model.onClock(events[:n])
				for i := range events[:n] {
					if err := d.model.feed(d.sources.inputs()[0], events[i:i+1]); err != nil {
						t.Fatal(err)
					}
				}
			}
			d.model.checkClock()
			d.model.watch.Advance(now.Add(-lateness))
			d.model.publish()
			d.keeper.write()
			for _, l := range d.notifiers.list() {
				l.wake()
			}
		}
		turns = append(turns, measure(t, d, raised))
		raised = 0
	}
	spent := time.Since(began)
	eventually(t, func() bool { return d.keeper.store.Unsent("hook") == 0 })

	third := len(turns) / 3
	early, late := most(turns[:third]), most(turns[len(turns)-third:])
	day := turns[len(turns)-1].written - turns[max(0, len(turns)-4)].written
	if days == 1 {
		day = turns[2].written
	}
	t.Logf("%d days, %d events in %v; heap %d kB early, %d kB late; store's file %d kB early, %d kB late; %d kB written on the last day; at most %d alerts raised in eight hours; %d goroutines",
		days, fed, spent.Round(time.Millisecond), early.heap>>10, late.heap>>10, early.file>>10, late.file>>10, day>>10, late.raised, late.goroutines)
	if late.heap > early.heap+512<<10 {
		t.Errorf("the heap grew from %d to %d bytes", early.heap, late.heap)
	}
	if late.goroutines > early.goroutines+2 { // a connection to the webhook comes and goes
		t.Errorf("%d goroutines, later %d", early.goroutines, late.goroutines)
	}
	if late.file > early.file+early.file/2 {
		t.Errorf("the store's file grew from %d to %d bytes", early.file, late.file)
	}
	if late.raised == 0 {
		t.Error("no alert was raised at the end")
	}
	if r := d.Report(); len(r.Devices) != len(sc.Devices) || r.Devices[0].State != boat.Present {
		t.Errorf("%d devices at the end, want %d", len(r.Devices), len(sc.Devices))
	}
}

// fillTrends keeps the minutes of two days and the hours of a year before, as a boat has them that has run for long.
func fillTrends(d *Daemon) {
	values := make([]float32, 24)
	for i := range values {
		values[i] = 1.25 * float32(i)
	}
	for i := range 2 * 24 * 60 {
		row := trend.Row{At: t0.Add(-time.Duration(i) * time.Minute), Values: values}
		d.keeper.store.Put(store.Trends, trend.Key(trend.Minute, &row), row.Encode())
	}
	for i := range 365 * 24 {
		row := trend.Row{At: t0.Add(-time.Duration(i) * time.Hour), Values: values}
		d.keeper.store.Put(store.Trends, trend.Key(trend.Hour, &row), row.Encode())
	}
}

func measure(t *testing.T, d *Daemon, raised int) turn {
	t.Helper()
	runtime.GC()
	runtime.GC() // pools are emptied by the second
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	f, err := os.Stat(d.keeper.store.Path())
	if err != nil {
		t.Fatal(err)
	}
	return turn{heap: m.HeapAlloc, goroutines: runtime.NumGoroutine(), file: f.Size(), written: d.keeper.store.Stats().Written, raised: raised}
}

func most(turns []turn) (m turn) {
	for _, x := range turns {
		m = turn{max(m.heap, x.heap), max(m.goroutines, x.goroutines), max(m.file, x.file), max(m.written, x.written), max(m.raised, x.raised)}
	}
	return m
}
