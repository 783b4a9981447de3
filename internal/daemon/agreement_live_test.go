package daemon

import (
	"slices"
	"strings"
	"testing"

	"muster/internal/event"
	"muster/internal/hosttest"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/sim"
	"muster/internal/snapshot"
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

// TestLiveAgrees plays the scenarios of units to a daemon that runs, by a clock of the test's, and asks it at every minute. Snapshots, their
// comparisons and the hub are asked of the report that its API gives.
func TestLiveAgrees(t *testing.T) {
	sheets := unitSheets(t)
	hub := newMarina(t, sheets)
	truths(t, func(t *testing.T, sc *sim.Scenario, name string, truth []moment) {
		p := newLivePlay(t, sc)
		p.start(name, hosttest.Testdata(t, "units/sheets"), "")
		defer p.end()
		var before *snapshot.Snapshot
		for i, m := range minutes(truth, truth[len(truth)-1].At) {
			p.until(t0.Add(m.At))
			r := p.d.Report()
			var served report.Report
			get(t, p.d.URL()+"/api/v1/report", &served)
			served.Complete()
			answers := append(boatSays(t, p.d.URL(), r, sheets), snapshotSays(t, &served, &before)...)
			hub.hears(t, name, uint64(i+1), &served, 2)
			answers = append(answers, hub.answers(t, name)...)
			behind := planned(r, sheets)
			slices.Sort(behind)
			for k := range answers {
				a := &answers[k]
				switch {
				case a.aboard != nil:
					a.behind = nil // an alert lasts its hold time
				case m.unknown && a.behind != nil:
					if slices.Sort(a.behind); !slices.Equal(a.behind, behind) {
						t.Errorf("%v: %q are behind by %s, %q by the plan", m.At, a.behind, a.by, behind)
					}
					a.aboard, a.behind = aboardOf(r), nil
				}
			}
			m.check(t, sc, r, answers)
		}
	})
}
