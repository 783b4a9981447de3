package daemon

import (
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/hosttest"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/sim"
	"muster/internal/tap"
)

// followed is a work order that is followed through a scenario from its first moment on.
type followed struct {
	follower *release.Follower
}

func (f *followed) observe(t *testing.T, now event.Time, r *report.Report, c release.Conditions) {
	t.Helper()
	if f.follower != nil {
		f.follower.Observe(now, r, c)
	}
}

// says are the units aboard that the order still has to update. It is planned when it is first asked.
func (f *followed) says(t *testing.T, r *report.Report, sheets *release.Sheets) []said {
	t.Helper()
	if f.follower == nil {
		order, _ := release.Plan(r, "sha256:"+strings.Repeat("0", 64), "", sheets, release.Options{})
		var err error
		if f.follower, err = release.NewFollower(order, r); err != nil {
			t.Fatal(err)
		}
	}
	open := said{by: "the followed order", behind: []string{}}
	for _, s := range f.follower.Status() {
		u := r.Unit(s.Device)
		if u != nil && u.Aboard && s.Version != s.To { // a step may fail for what else it lost
			open.behind = append(open.behind, s.Device)
		}
	}
	return []said{open}
}

// TestLiveAgrees plays the scenarios of units to a daemon that runs, by a clock of the test's, and asks it at every minute.
func TestLiveAgrees(t *testing.T) {
	sheets := unitSheets(t)
	truths(t, func(t *testing.T, sc *sim.Scenario, name string, truth []moment) {
		source := make(handedSource)
		var clock atomic.Int64
		clock.Store(int64(t0))
		opt := options("127.0.0.1:0", map[string]tap.Source{"sim": source}, "sim")
		opt.Now = func() time.Time { return event.Time(clock.Load()).UTC() }
		opt.Config.Boat, opt.Config.Sheets = boat.Identity{ID: name}, hosttest.Testdata(t, "units/sheets")
		opt.Config.Sources = []config.Source{{Source: "sim"}}
		d, stop := aboard(t, opt)
		defer func() {
			close(source)
			stop()
		}()

		boatSim, fed := sim.New(sc, sc.Seed, t0), uint64(0)
		second := func() {
			now := event.Time(clock.Add(int64(time.Second)))
			for {
				events := make([]event.Event, batchEvents)
				n, err := boatSim.ReadUntil(now, events)
				if err != nil {
					t.Fatal(err)
				}
				if n == 0 {
					return
				}
				for i := range events[:n] {
					events[i].Line = slices.Clone(events[i].Line)
					if k := events[i].Kind; k == event.KindFrame || k == event.KindLine {
						fed++
					}
				}
				source <- events[:n]
			}
		}
		received := func() (n uint64) {
			for _, x := range d.Report().Networks {
				n += x.Frames
			}
			return n
		}
		for _, m := range minutes(truth, truth[len(truth)-1].At) {
			for event.Time(clock.Load()).Sub(t0) < m.At+time.Second {
				second()
			}
			at := t0.Add(m.At)
			eventually(t, func() bool { return received() == fed && d.Report().TakenAt >= at })
			r := d.Report()
			var answers []said
			for _, a := range boatSays(t, d.URL(), r, sheets) {
				switch {
				case a.by != "the plan":
					a.behind = nil // an alert lasts its hold time
				case m.unknown:
					continue
				}
				answers = append(answers, a)
			}
			m.check(t, sc, r, answers)
		}
	})
}
