package daemon

import (
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/nmea0183"
	"muster/internal/report"
	"muster/internal/snapshot"
	"muster/internal/tap"
	"muster/internal/ui/webtest"
)

// aboard is a daemon with a store that runs until the returned function stops it.
func aboard(t testing.TB, opt Options) (*Daemon, func()) {
	t.Helper()
	d, err := New(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- d.Run(t.Context()) }()
	var once sync.Once
	stop := func() {
		once.Do(func() {
			if err := d.Stop(); err != nil {
				t.Error(err)
			}
			if err := <-done; err != nil {
				t.Error(err)
			}
		})
	}
	t.Cleanup(stop)
	return d, stop
}

func keptOptions(t *testing.T, dir string, events ...event.Event) Options {
	opt := options("off", map[string]tap.Source{"can0": newFake(nil, events)}, "can0")
	opt.Config.StateDir = dir
	return opt
}

func TestSurvivesRestart(t *testing.T) {
	dir := t.TempDir()
	now := event.At(time.Now())
	d, stop := aboard(t, keptOptions(t, dir, network(now, "can0", false), claim(now, nameA, 35)))
	eventually(t, func() bool { return len(d.Report().Devices) == 1 })
	first := d.Report().Devices[0].FirstSeen
	m, err := d.Desk().AddManual(t.Context(), boat.Manual{Model: "Larkfin LF9 display"})
	if err != nil {
		t.Fatal(err)
	}
	stop()

	later := now.Add(time.Minute)
	d, stop = aboard(t, keptOptions(t, dir, network(later, "can0", false), claim(later, nameA, 35), claim(later, nameA+1, 36)))
	eventually(t, func() bool { return len(d.Report().Devices) == 2 })
	for _, dev := range d.Report().Devices {
		if dev.ID == nameA.String() && dev.FirstSeen != first {
			t.Errorf("first seen %v, was %v", dev.FirstSeen, first)
		}
	}
	if diff := cmp.Diff([]boat.Manual{m}, d.Report().Manual); diff != "" {
		t.Error(diff)
	}
	m2, err := d.Desk().AddManual(t.Context(), boat.Manual{Model: "Gannet SD2 sounder"})
	if err != nil || m2.ID == m.ID {
		t.Errorf("second device %v: %v", m2, err)
	}
	stop()
}

// receiver is a webhook that fails as often as it is set to, and keeps what it took.
type receiver struct {
	mu    sync.Mutex
	fail  int
	ids   []string
	kinds []string
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	r.mu.Lock()
	defer r.mu.Unlock()
	body, _ := io.ReadAll(req.Body)
	if r.fail != 0 {
		r.fail--
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	var m Message
	if err := json.Unmarshal(body, &m); err != nil || fitsMessage(body) != nil {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	r.ids = append(r.ids, req.Header.Get(idHeader))
	r.kinds = append(r.kinds, string(m.Kind)+" "+m.Alert.ID)
}

func (r *receiver) got() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]string(nil), r.kinds...)
}

func change(kind alert.ChangeKind, id string, silenced bool) alert.Change {
	return alert.Change{At: t0, Kind: kind, Silenced: silenced, Alert: alert.Alert{ID: id, Check: "silent", Severity: check.Warning,
		State: alert.StatusOpen, Since: t0, Summary: "Gannet SD2 sounder has not spoken"}}
}

// TestTalkerSurvivesRestart: what a talker ran is kept across a restart, as long as the same unit sends.
func TestTalkerSurvivesRestart(t *testing.T) {
	dir, at := t.TempDir(), event.At(time.Now())
	runs := func(serial, software string) (got []string) {
		at = at.Add(time.Minute)
		line := event.Event{Time: at, Kind: event.KindLine, Line: nmea0183.Append(nil, '$', "GPVER,1,1,GP,LFN,GN5-"+serial+","+serial+",GN5 receiver,"+software+",B")}
		d, stop := aboard(t, keptOptions(t, dir, event.Event{Time: at, Kind: event.KindNetwork, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}}, line))
		defer stop()
		eventually(t, func() bool { return len(d.Report().Talkers) == 1 })
		for _, s := range d.Report().Talkers[0].Software {
			got = append(got, s.Version)
		}
		return got
	}
	for _, c := range []struct {
		serial, software string
		want             []string
	}{{"77", "1.0", []string{"1.0"}}, {"77", "1.1", []string{"1.0", "1.1"}}, {"77", "1.1", []string{"1.0", "1.1"}}, {"78", "1.1", []string{"1.1"}}, {"78", "1.2", []string{"1.1", "1.2"}}} {
		if diff := cmp.Diff(c.want, runs(c.serial, c.software)); diff != "" {
			t.Errorf("%s of %s: %s", c.software, c.serial, diff)
		}
	}
}

// TestTalkerIsLastKnown: after a start, the page of a talker that has not reported its identity again shows what it was, and when.
func TestTalkerIsLastKnown(t *testing.T) {
	dir, at := t.TempDir(), event.At(time.Now()).Add(-time.Minute)
	page := func(sentence string) string {
		opt := keptOptions(t, dir, event.Event{Time: at, Kind: event.KindNetwork, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}},
			event.Event{Time: at, Kind: event.KindLine, Line: nmea0183.Append(nil, '$', sentence)})
		opt.Config.Listen = "127.0.0.1:0"
		d, stop := aboard(t, opt)
		defer stop()
		eventually(t, func() bool { return len(d.Report().Talkers) == 1 })
		return string(webtest.Fetch(t, d.URL()+"/devices/ttyUSB0%2FGP"))
	}
	if first := page("GPVER,1,1,GP,LFN,GN5-77,77,GN5 receiver,1.0,B"); strings.Contains(first, "last known") {
		t.Error("it is last known while it reports itself")
	}
	at = at.Add(30 * time.Second)
	again := page("GPGLL,5400.000,N,01000.000,E,120000,A")
	_, known, _ := strings.Cut(again, "last known")
	known, _, _ = strings.Cut(known, "</li>")
	for _, want := range []string{"GN5 receiver", "serial 77", "software 1.0", " UTC, before muster started"} {
		if !strings.Contains(known, want) {
			t.Errorf("the page does not show %q: %s", want, known)
		}
	}
}

// tell makes the daemon note changes as the checks would.
func tell(t testing.TB, d *Daemon, changes ...alert.Change) {
	t.Helper()
	err := d.model.do(t.Context(), func() error {
		for _, c := range changes {
			d.model.changed(c)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func TestWebhook(t *testing.T) {
	r := &receiver{fail: 3}
	server := httptest.NewServer(r)
	defer server.Close()
	opt := keptOptions(t, t.TempDir())
	opt.firstRetry = time.Millisecond
	opt.Config.Notify = []config.Target{{ID: "hook", Webhook: server.URL, MinSeverity: check.Warning}}
	d, stop := aboard(t, opt)
	tell(t, d, change(alert.Raised, "a", false), change(alert.Raised, "quiet", true), change(alert.Cleared, "a", false))
	low := change(alert.Raised, "low", false)
	low.Alert.Severity = check.Info
	tell(t, d, low, change(alert.Raised, "b", false))
	want := []string{"raised a", "cleared a", "raised b"}
	eventually(t, func() bool { return len(r.got()) >= len(want) })
	stop()
	if diff := cmp.Diff(want, r.got()); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]string{"1", "2", "3"}, r.ids); diff != "" {
		t.Error(diff)
	}
}

// TestWebhookAcrossRestart: what could not be sent is sent by the next run, once and in order.
func TestWebhookAcrossRestart(t *testing.T) {
	dir := t.TempDir()
	run := func(r *receiver) (*Daemon, func()) {
		server := httptest.NewServer(r)
		opt := keptOptions(t, dir)
		opt.firstRetry = time.Millisecond
		opt.Config.Notify = []config.Target{{ID: "hook", Webhook: server.URL}}
		d, stop := aboard(t, opt)
		return d, func() {
			stop()
			server.Close() // waits for a request that the daemon gave up when it ended
		}
	}
	r := &receiver{fail: -1}
	d, stop := run(r)
	tell(t, d, change(alert.Raised, "a", false), change(alert.Cleared, "a", false))
	eventually(t, func() bool { return d.notifiers.list()[0].failed.Load() > 0 })
	stop()
	if got := r.got(); len(got) != 0 {
		t.Fatalf("told %q", got)
	}
	r = &receiver{}
	d, stop = run(r)
	tell(t, d, change(alert.Raised, "b", false))
	eventually(t, func() bool { return len(r.got()) >= 3 })
	stop()
	if diff := cmp.Diff([]string{"raised a", "cleared a", "raised b"}, r.got()); diff != "" {
		t.Error(diff)
	}
}

// TestAlertStaysRaised: an alert is raised once, however often the daemon starts, and the device it is about stays silent.
func TestAlertStaysRaised(t *testing.T) {
	dir := t.TempDir()
	d, stop := aboard(t, keptOptions(t, dir))
	err := d.model.do(t.Context(), func() error {
		f := check.Finding{Check: "silent", Subject: nameA.String(), Devices: []string{nameA.String()}, Severity: check.Warning,
			Network: "can0", Since: event.At(time.Now()), Summary: "it has not spoken"}
		for _, c := range d.model.watch.Book().Update(event.At(time.Now()), []check.Finding{f}) {
			d.model.changed(c)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	stop()
	opt := keptOptions(t, dir)
	opt.Config.Alerts.Clear, opt.Config.Alerts.Settle = 0, 0
	d, _ = aboard(t, opt)
	err = d.model.do(t.Context(), func() error {
		d.model.watch.Finish()
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	alerts := d.Report().Alerts
	if len(alerts) != 1 || alerts[0].State != alert.StatusOpen {
		t.Errorf("alerts %+v", alerts)
	}
}

func TestBaselineIsKept(t *testing.T) {
	dir := t.TempDir()
	now := event.At(time.Now())
	d, stop := aboard(t, keptOptions(t, dir, network(now, "can0", false), claim(now, nameA, 35)))
	eventually(t, func() bool { return len(d.Report().Devices) == 1 })
	if err := d.Desk().SetBaseline(t.Context(), snapshot.New(d.Report())); err != nil {
		t.Fatal(err)
	}
	stop()
	opt := keptOptions(t, dir, network(now, "can0", false), claim(now, nameA+1<<21, 36))
	zero := time.Duration(0)
	opt.Config.Checks.Missing.Hold, opt.Config.Checks.NewDevice.Hold = &zero, &zero
	d, _ = aboard(t, opt)
	eventually(t, func() bool { return len(d.Report().Devices) == 1 })
	if err := d.model.do(t.Context(), func() error { d.model.watch.Finish(); return nil }); err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, a := range d.Report().Alerts {
		ids = append(ids, a.Check)
	}
	for _, want := range []string{"missing", "new-device"} {
		if !strings.Contains(strings.Join(ids, " "), want) {
			t.Errorf("alerts %q lack %s", ids, want)
		}
	}
}

// TestBaselineOfTheConfig: a baseline that the config names is shown, and is changed there alone; a reload without it lets one be set.
func TestBaselineOfTheConfig(t *testing.T) {
	now := event.At(time.Now())
	opt := keptOptions(t, t.TempDir(), network(now, "can0", false), claim(now, nameA, 35))
	other := snapshot.New(&report.Report{Schema: "muster.report/v1", TakenAt: now})
	if err := other.Close(nil); err != nil {
		t.Fatal(err)
	}
	text, err := other.Encode()
	if err != nil {
		t.Fatal(err)
	}
	opt.Config.Baseline = filepath.Join(t.TempDir(), "baseline.json")
	if err := os.WriteFile(opt.Config.Baseline, text, 0o600); err != nil {
		t.Fatal(err)
	}
	d, _ := aboard(t, opt)
	if s, named := d.Desk().Baseline(); s == nil || !named {
		t.Errorf("the baseline of the config: %v, named %v", s, named)
	}
	for _, s := range []*snapshot.Snapshot{other, nil} {
		if err := d.Desk().SetBaseline(t.Context(), s); !errors.Is(err, api.ErrNamed) {
			t.Errorf("%v", err)
		}
	}
	c := opt.Config
	c.Baseline = ""
	if _, err := d.Reload(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	if err := d.Desk().SetBaseline(t.Context(), nil); !errors.Is(err, api.ErrNoSuch) {
		t.Errorf("%v", err)
	}
	if err := d.Desk().SetBaseline(t.Context(), other); err != nil {
		t.Error(err)
	}
	if s, named := d.Desk().Baseline(); s == nil || named {
		t.Errorf("the baseline that was set: %v, named %v", s, named)
	}
}
