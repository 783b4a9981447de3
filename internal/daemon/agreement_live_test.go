package daemon

import (
	"strings"
	"testing"

	"muster/internal/event"
	"muster/internal/hosttest"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/sim"
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
		p := newLivePlay(t, sc)
		p.start(name, hosttest.Testdata(t, "units/sheets"), "")
		defer p.end()
		for _, m := range minutes(truth, truth[len(truth)-1].At) {
			p.until(t0.Add(m.At))
			r := p.d.Report()
			var answers []said
			for _, a := range boatSays(t, p.d.URL(), r, sheets) {
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
