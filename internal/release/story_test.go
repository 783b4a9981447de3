package release

import (
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"go.einride.tech/can"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/sim"
	"muster/pgn"
)

// story is a simulated boat with the boat model beside it and a presence that asks.
type story struct {
	t     *testing.T
	sim   *sim.Sim
	boat  *boat.Boat
	gauge Gauge
	asked event.Time
}

func newStory(t *testing.T, scenario string) *story {
	sc, err := sim.Load(t.Context(), scenario)
	if err != nil {
		t.Fatal(err)
	}
	return &story{t: t, sim: sim.New(sc, 0, start), boat: boat.New(boat.DefaultOptions())}
}

// until runs the boat to a moment, asking for identities every 15 s.
func (s *story) until(at event.Time) *report.Report {
	s.t.Helper()
	events := make([]event.Event, 64)
	for {
		if s.sim.Now().Sub(s.asked) >= 15*time.Second {
			s.asked = s.sim.Now()
			for _, number := range []uint32{126996, 126998} {
				f := can.Frame{ID: uint32(pgn.MakeID(6, 59904, pgn.Null, pgn.Global)), Length: 3, IsExtended: true,
					Data: can.Data{byte(number), byte(number >> 8), byte(number >> 16)}}
				if err := s.sim.Send(f); err != nil {
					s.t.Fatal(err)
				}
			}
		}
		n, err := s.sim.ReadUntil(min(at, s.asked.Add(15*time.Second)), events)
		for i := range n {
			s.boat.Feed(events[i])
			s.gauge.Feed(&events[i])
		}
		if errors.Is(err, io.EOF) || n == 0 && s.sim.Now() >= at {
			break
		}
		if err != nil {
			s.t.Fatal(err)
		}
	}
	s.boat.Tick(at)
	return report.New(s.boat.State(), nil)
}

// The whole walk on the demo boat: the flybridge display browns out, is updated, and comes back without its settings.
func TestStoryOfTheDemo(t *testing.T) {
	s := newStory(t, "demo")
	before := s.until(start.Add(55 * time.Second))
	before.Boat.ID = "wagtail"
	o, problems := Plan(before, "sha256:0123", "", load(t, examplesDir), Options{})
	if got := steps(o); len(got) != 3 || !strings.Contains(got[0], "LF9-41033) 4.47>4.52") || !strings.Contains(got[1], "OLB-22118) 2.10>2.11") ||
		!strings.Contains(got[2], "2.2 Gannet Ruvik 6 radar (RVK-008127) 1.8>1.9") {
		t.Fatalf("%v\n%v", got, problems)
	}
	f, err := NewFollower(o, before)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, order: o, follower: f}
	for at := start.Add(60 * time.Second); at < start.Add(8*time.Minute); at = at.Add(5 * time.Second) {
		b.now, b.report = at, s.until(at)
		b.report.Boat.ID = "wagtail"
		b.cond = s.gauge.Conditions(at)
		b.takeReport()
		if at == start.Add(4*time.Minute) {
			b.follower = restored(t, b) // the program restarts while the display is away
		}
	}
	for i, l := range b.log {
		b.log[i], _, _ = strings.Cut(l, " (") // notes hold figures of the scenario
	}
	b.want(
		"1.1 waiting>left", "1.1 left>back", "1.1 back>identified", "1.1 identified>failed old-version", // the brown-out
		"1.1 failed>left", "1.1 left>left", "1.1 left>back", "1.1 back>identified",
		"1.1 identified>failed instance-changed installation-lost installation-lost low-voltage")
	st := b.follower.Status()[0]
	if st.Now == "" || st.Now == st.Device || st.Version != "4.52" || st.Attempt != 2 || *st.LowestVolts >= 12 {
		t.Errorf("%+v", st)
	}
	if away := st.BackAt.Sub(st.LeftAt); away < 40*time.Second || away > 60*time.Second {
		t.Errorf("away for %v, the story says 45 s", away)
	}
}
