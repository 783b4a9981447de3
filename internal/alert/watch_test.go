package alert

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
)

// fake is a boat of one device that falls silent when it was not fed for ten seconds.
type fake struct {
	now, last event.Time
	judged    []event.Time
}

func (f *fake) Feed(events ...event.Event) {
	for _, e := range events {
		f.now, f.last = max(f.now, e.Time), e.Time
	}
}
func (f *fake) Tick(now event.Time) { f.now = max(f.now, now) }
func (f *fake) State() *boat.State {
	f.judged = append(f.judged, f.now)
	d := boat.Device{ID: "a", Network: "can0", State: boat.Present, LastSeen: f.last}
	if f.now.Sub(f.last) > 10*time.Second {
		d.State = boat.Silent
	}
	other := boat.Device{ID: "b", Network: "can0", State: boat.Present}
	return &boat.State{Networks: []boat.Network{{ID: "can0", Kind: event.NMEA2000}}, Devices: []boat.Device{d, other}}
}

func TestWatchRunsAtFullIntervals(t *testing.T) {
	f := &fake{}
	w := NewWatch(f, check.DefaultSettings(), DefaultSettings())
	for _, s := range []int{3, 7, 10, 12, 45} { // t0 is a multiple of ten seconds
		w.Feed(event.Event{Time: at(s)})
	}
	w.Feed(event.Event{}) // an unstamped event moves nothing
	w.Advance(at(52))
	w.Finish()
	want := []event.Time{at(10), at(20), at(30), at(40), at(50), at(52)}
	if diff := cmp.Diff(want[:5], f.judged[:5]); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	if len(f.judged) != len(want) {
		t.Errorf("judged %d times, want %d", len(f.judged), len(want))
	}
}

func TestWatchLongGapsAndClocksSetBack(t *testing.T) {
	f := &fake{}
	w := NewWatch(f, check.DefaultSettings(), DefaultSettings())
	w.Feed(event.Event{Time: at(0) - 50*365*24*3600*1e9})
	w.Feed(event.Event{Time: at(0)})
	if n := len(f.judged); n != dense+27 {
		t.Errorf("%d runs for fifty years, want %d", n, dense+27)
	}
	if got := f.judged[len(f.judged)-1]; got != at(0) {
		t.Errorf("last run at %v, want %v", got, at(0))
	}
	before := len(f.judged)
	f.now = 0
	w.Feed(event.Event{Time: at(-3605)})
	w.Feed(event.Event{Time: at(-3600)})
	if n := len(f.judged) - before; n != 0 {
		t.Errorf("%d runs after the clock was set back, want none before there is something to check", n)
	}
	for range fewFed {
		w.Feed(event.Event{Time: at(-3595)})
	}
	w.Feed(event.Event{Time: at(-3580)})
	if n := len(f.judged) - before; n != 1 {
		t.Errorf("%d runs after the clock was set back, want 1", n)
	}
	for s := 10; s <= 60; s += 10 { // time for which the checks never ran
		w.Feed(event.Event{Time: at(s)})
	}
	if n := len(f.judged) - before; n != 7 {
		t.Errorf("%d runs after the clock was set back and forward again, want 7", n)
	}
}

func TestWatchTellsChanges(t *testing.T) {
	f := &fake{}
	w := NewWatch(f, check.DefaultSettings(), DefaultSettings())
	var got []string
	w.OnChange = func(c Change) { got = append(got, words([]Change{c})[0]+" "+c.At.Sub(t0).String()) }
	w.Feed(event.Event{Time: at(5)})
	w.Feed(event.Event{Time: at(305)})
	w.Feed(event.Event{Time: at(310)})
	w.Advance(at(318))
	w.Feed(event.Event{Time: at(320)})
	w.Feed(event.Event{Time: at(329)})
	w.Feed(event.Event{Time: at(338)})
	w.Feed(event.Event{Time: at(345)})
	want := []string{"raised silent:a 2m10s", "cleared silent:a 5m40s"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	alerts := w.Book().Alerts()
	if len(alerts) != 1 || alerts[0].State != StatusCleared || alerts[0].Since != at(5) {
		t.Errorf("alerts %+v", alerts)
	}
}

// A Watch must give the same alerts when a live clock also moves it between the events, as when only events do.
func TestWatchDoesNotDependOnTheClock(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gaps := rapid.SliceOfN(rapid.IntRange(0, 200_000), 1, 60).Draw(t, "gaps")
		run := func(live bool) []Alert {
			w := NewWatch(&fake{}, check.DefaultSettings(), DefaultSettings())
			now := t0
			w.Feed(event.Event{Time: now})
			for _, ms := range gaps {
				next := now.Add(time.Duration(ms) * time.Millisecond)
				for tick := now; live && tick < next; tick = tick.Add(time.Second) {
					w.Advance(tick)
				}
				now = next
				w.Feed(event.Event{Time: now})
			}
			w.Finish()
			return w.Book().Alerts()
		}
		if diff := cmp.Diff(run(false), run(true)); diff != "" {
			t.Fatalf("(-replayed +live)\n%s", diff)
		}
	})
}

func BenchmarkWatchFeed(b *testing.B) {
	w := NewWatch(&fake{}, check.DefaultSettings(), DefaultSettings())
	ev := event.Event{Time: t0}
	b.ReportAllocs()
	for b.Loop() {
		ev.Time += 1000 // a million events a second of event time
		w.Feed(ev)
	}
}

func TestWatchConfigureKeepsAlerts(t *testing.T) {
	w := NewWatch(&fake{}, check.Settings{}, Settings{})
	if w.Every() != check.DefaultSettings().Every {
		t.Errorf("interval %v", w.Every())
	}
	w.SetExtra([]check.Rule{{ID: "software-behind", Severity: check.Warning, Check: func(p *check.Pass) {
		p.Find(finding("software-behind", "a", 0))
	}}})
	w.Configure(check.DefaultSettings(), DefaultSettings())
	for s := range 40 {
		w.Feed(event.Event{Time: at(s)})
	}
	faster := check.DefaultSettings()
	faster.Every = 5 * time.Second
	w.Configure(faster, Settings{FlapCount: 1})
	w.Feed(event.Event{Time: at(45)})
	if got := w.Book().Alerts(); len(got) != 1 || got[0].ID != "software-behind:a" || got[0].Since != at(10) {
		t.Errorf("alerts %+v", got)
	}
}

// TestWatchRunsAreBounded: stamps that jump to and fro, or are in no order, make the checks run no more often than the events allow.
func TestWatchRunsAreBounded(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	const events = 20_000
	for name, stamp := range map[string]func(i int) event.Time{
		"an hour to and fro": func(i int) event.Time { return at(3600*(i/10%2)) + event.Time(i)*1e6 },
		"in no order":        func(int) event.Time { return at(r.IntN(3600)) },
	} {
		f := &fake{}
		w := NewWatch(f, check.DefaultSettings(), DefaultSettings())
		for i := range events {
			w.Feed(event.Event{Time: stamp(i)})
		}
		if n := len(f.judged); n == 0 || n > events/fewFed+dense+32 {
			t.Errorf("%s: %d runs of %d events", name, n, events)
		}
	}
}
