package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/fleet/broker"
	"muster/internal/fleet/hub"
	"muster/internal/fleet/pages"
	"muster/internal/fleet/trust"
	"muster/internal/tap"
	"muster/pgn"
)

// shore is a hub with its message server and its pages, and a boat that is enrolled and moves by the test's clocks:
// the one that its events come by, and the one by which its uplink checks the report.
type shore struct {
	*afloat
	src  *wire
	look chan time.Duration
	api  string
}

func newShore(t testing.TB) *shore {
	ok := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	keys, err := trust.Open(filepath.Join(t.TempDir(), "trust"))
	ok(err)
	papers, err := keys.Papers()
	ok(err)
	server, err := broker.Start(t.Context(), broker.Options{Listen: "127.0.0.1:0", Dir: t.TempDir(), Papers: papers, SyncEvery: time.Minute, Log: zerolog.Nop()})
	ok(err)
	t.Cleanup(func() { _ = server.Stop(time.Minute) })
	creds, err := keys.HubCreds()
	ok(err)
	nc, err := server.Connect(creds, "hub")
	ok(err)
	t.Cleanup(nc.Close)
	h, err := hub.New(t.Context(), hub.Options{Conn: nc, Log: zerolog.Nop()})
	ok(err)
	shown, err := pages.New(pages.Options{Listen: "127.0.0.1:0", Fleet: h, Log: zerolog.Nop()})
	ok(err)
	ctx, stop := context.WithCancel(context.Background())
	ran, served := make(chan error, 1), make(chan error, 1)
	go func() { ran <- h.Run(ctx) }()
	go func() { served <- shown.Serve(ctx) }()
	t.Cleanup(func() {
		ok(shown.Stop(context.Background()))
		ok(<-served)
		stop()
		<-ran
	})
	creds, err = keys.Enroll("wagtail", t0.UTC())
	ok(err)
	file := filepath.Join(t.TempDir(), "wagtail.creds")
	ok(os.WriteFile(file, creds, 0o600))

	s := &shore{src: newWire(), look: make(chan time.Duration), api: shown.URL() + "/api/v1/boats/wagtail"}
	opt := options("off", map[string]tap.Source{"can0": s.src}, "can0")
	opt.Config.StateDir, opt.Config.Boat = t.TempDir(), boat.Identity{ID: "wagtail", Name: "Wagtail"}
	opt.Config.Fleet.URL, opt.Config.Fleet.Credentials, opt.fleetLook = []string{server.ClientURL()}, file, s.look
	s.afloat = newAfloat(t, opt)
	s.src.events <- []event.Event{network(t0, "can0", false)}
	return s
}

// joins lets a new device come aboard.
func (s *shore) joins(address byte) {
	s.t.Helper()
	name := nameA + pgn.NAME(address)
	s.src.events <- []event.Event{claim(event.Time(s.wall.Load()), name, address)}
	eventually(s.t, func() bool { return s.d.Report().Device(name.String()) != nil })
}

// looks lets the uplink check the report at a moment of its clock, and waits until it has.
func (s *shore) looks(seconds int) {
	for range 2 { // the second is taken when the first is done with
		s.look <- time.Duration(seconds) * time.Second
	}
}

// queued counts what the boat has for the hub, sent or waiting.
func (s *shore) queued() uint64 {
	st := s.d.notifiers.up.Load().Stats()
	return st.Sent + uint64(st.Queued)
}

// answer is the answer of the hub's API about the boat; empty before the hub has the boat.
func (s *shore) answer() (b hub.Boat) {
	s.t.Helper()
	resp, err := http.Get(s.api)
	if err != nil {
		s.t.Fatal(err)
	}
	defer resp.Body.Close()
	if resp.StatusCode == http.StatusOK {
		if err := json.NewDecoder(resp.Body).Decode(&b); err != nil {
			s.t.Fatal(err)
		}
	}
	return b
}

func (s *shore) shows(devices int) func() bool {
	return func() bool { return len(s.answer().Devices) == devices }
}

// TestHubHears: what changes aboard is in the hub's answer. A change of an alert is reported at once: the uplink's
// clock is stopped meanwhile. Another is reported when nothing else has changed for ten seconds of that clock, or a
// minute after it when things go on changing.
func TestHubHears(t *testing.T) {
	s := newShore(t)
	s.joins(1)
	s.looks(0)
	s.looks(9)
	if n := s.queued(); n != 0 {
		t.Errorf("%d messages before anything was quiet", n)
	}
	s.looks(10)
	eventually(t, s.shows(1))

	s.joins(2)
	for second := 11; second <= 20; second++ {
		s.looks(second) // seen first at 11
	}
	if n := s.queued(); n != 1 {
		t.Errorf("%d messages within ten seconds of the change", n)
	}
	s.looks(21)
	eventually(t, s.shows(2))

	for second := 30; second < 90; second++ { // the first change is seen at 30
		s.joins(byte(second))
		s.looks(second)
	}
	if n := s.queued(); n != 2 {
		t.Errorf("%d messages while everything changes each second", n)
	}
	s.joins(90)
	s.looks(90)
	eventually(t, s.shows(2+61))

	// A device that finds no address is an alert of the model, which rises while the uplink checks nothing.
	lost := nameA + 200
	s.until("an alert", func() bool { return s.alert("no-address", "can0") != "" || s.alert("no-address", "") != "" }, func(now event.Time) {
		s.src.events <- []event.Event{claim(now, lost, 254)}
	})
	eventually(t, func() bool {
		return slices.ContainsFunc(s.answer().Alerts, func(a hub.Alert) bool { return a.Check == "no-address" })
	})
	if got := len(s.answer().Devices); got != 63 {
		t.Errorf("%d devices: a report was told too", got)
	}
}

// BenchmarkHubHears measures how long the hub's answer takes from an alert aboard, and from the moment at which a
// changed report is due.
func BenchmarkHubHears(b *testing.B) {
	for b.Loop() {
		s := newShore(b)
		measure := func(n int, f func(i int)) []time.Duration {
			var all []time.Duration
			for i := range n {
				began := time.Now()
				f(i)
				all = append(all, time.Since(began))
			}
			slices.Sort(all)
			return all
		}
		ms := func(d time.Duration) float64 { return float64(d.Microseconds()) / 1e3 }
		s.joins(1)
		s.looks(0)
		s.looks(10)
		eventually(b, s.shows(1))
		alerts := measure(50, func(i int) {
			id := fmt.Sprint("silent:", i)
			tell(b, s.d, change(alert.Raised, id, false))
			eventually(b, func() bool {
				return slices.ContainsFunc(s.answer().Alerts, func(a hub.Alert) bool { return a.ID == id })
			})
		})
		now := 10
		reports := measure(5, func(i int) {
			s.joins(byte(2 + i))
			s.looks(now + 1)
			now += 11
			s.looks(now)
			eventually(b, s.shows(2+i))
		})
		b.ReportMetric(ms(alerts[25]), "alert-p50-ms")
		b.ReportMetric(ms(alerts[49]), "alert-max-ms")
		b.ReportMetric(ms(reports[2]), "report-p50-ms")
	}
}
