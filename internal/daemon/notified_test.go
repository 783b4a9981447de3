package daemon

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/rs/zerolog"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/fleet"
)

// alertLog keeps what the log holds of alerts, in order.
type alertLog struct {
	mu    sync.Mutex
	lines []string
}

func (l *alertLog) Write(p []byte) (int, error) {
	var e struct {
		Message, Alert, Severity string
		Silenced                 bool
	}
	if err := json.Unmarshal(p, &e); err == nil && e.Alert != "" {
		line := strings.TrimPrefix(e.Message, "alert ") + " " + e.Alert + " " + e.Severity
		if e.Silenced {
			line += " silenced"
		}
		l.mu.Lock()
		defer l.mu.Unlock()
		l.lines = append(l.lines, line)
	}
	return len(p), nil
}

// TestToldEverywhere takes alerts through everything that can happen to them: held, raised, regraded, acknowledged, silenced and no more,
// cleared. Each change comes once and in order to the log, the webhook, the Alertmanager and the hub's queue, and the API and the metrics
// show each state.
func TestToldEverywhere(t *testing.T) {
	hook, am, log := &receiver{fail: 1}, &amFake{}, &alertLog{}
	hookServer, amServer := httptest.NewServer(hook), httptest.NewServer(am)
	defer hookServer.Close()
	defer amServer.Close()
	opt := keptOptions(t, t.TempDir())
	opt.Log = zerolog.New(log)
	opt.firstRetry = time.Millisecond
	opt.Config.Listen = "127.0.0.1:0"
	opt.Config.Boat = boat.Identity{ID: "wagtail"}
	opt.Config.Fleet.URL = []string{"nats://127.0.0.1:1"}
	opt.Config.Checks.Every = 1000 * time.Hour // only the test runs the checks
	opt.Config.Alerts = alert.Settings{Clear: 20 * time.Second}
	opt.Config.Notify = []config.Target{{ID: "hook", Webhook: hookServer.URL}, {ID: "am", Alertmanager: amServer.URL}}
	d, stop := aboard(t, opt)
	eventually(t, func() bool { return d.Ready() == nil })

	began := event.At(time.Now().Add(-time.Minute)) // what is over has ended by now
	update := func(seconds int, findings ...check.Finding) func() error {
		return func() error {
			for _, c := range d.model.watch.Book().Update(began.Add(time.Duration(seconds)*time.Second), findings) {
				d.model.changed(c)
			}
			return nil
		}
	}
	deep := check.Finding{Check: "low-voltage", Subject: "house", Severity: check.Warning, Hold: 10 * time.Second, Summary: "11.2 V"}
	deeper := deep
	deeper.Severity = check.Critical
	busy := check.Finding{Check: "bus-load-high", Subject: "can0", Severity: check.Warning, Summary: "61 %"}
	scope := alert.Silence{Check: "bus-load-high", From: began, Until: began.Add(time.Hour)}
	for _, step := range []struct {
		name    string
		act     func() error
		api     []string
		metrics []string
	}{
		{"held", update(0, deep), nil, nil},
		{"raised", update(10, deep), []string{"low-voltage:house open"}, []string{`low-voltage",severity="warning",state="open"} 1`}},
		{"regraded", update(12, deeper), []string{"low-voltage:house open"}, []string{`low-voltage",severity="critical",state="open"} 1`}},
		{"acknowledged", func() error {
			c, err := d.model.watch.Book().Acknowledge("low-voltage:house", "Jo", began.Add(13*time.Second))
			d.model.changed(c)
			return err
		}, []string{"low-voltage:house acknowledged"}, []string{`low-voltage",severity="critical",state="acknowledged"} 1`}},
		{"silenced", func() error {
			if err := d.model.watch.Book().Silence(scope); err != nil {
				return err
			}
			return update(14, deeper, busy)()
		}, []string{"low-voltage:house acknowledged", "bus-load-high:can0 open silenced"},
			[]string{`bus-load-high",severity="warning",state="silenced"} 1`, `low-voltage",severity="critical",state="acknowledged"} 1`}},
		{"silenced no more", func() error {
			if err := d.model.watch.Book().EndSilence(scope); err != nil {
				return err
			}
			return update(15, deeper, busy)()
		}, []string{"low-voltage:house acknowledged", "bus-load-high:can0 open"},
			[]string{`bus-load-high",severity="warning",state="open"} 1`, `low-voltage",severity="critical",state="acknowledged"} 1`}},
		{"away", update(20, busy), []string{"low-voltage:house acknowledged", "bus-load-high:can0 open"},
			[]string{`bus-load-high",severity="warning",state="open"} 1`, `low-voltage",severity="critical",state="acknowledged"} 1`}},
		{"cleared", update(40, busy), []string{"bus-load-high:can0 open", "low-voltage:house cleared"}, []string{`bus-load-high",severity="warning",state="open"} 1`}},
	} {
		if err := d.model.do(t.Context(), step.act); err != nil {
			t.Fatalf("%s: %v", step.name, err)
		}
		var list []alert.Alert
		if !fetch(d.URL()+"/api/v1/alerts", &list) {
			t.Fatalf("%s: the API does not answer", step.name)
		}
		var api []string
		for _, a := range list {
			line := a.ID + " " + string(a.State)
			if a.SilencedUntil != 0 {
				line += " silenced"
			}
			api = append(api, line)
		}
		if diff := cmp.Diff(step.api, api); diff != "" {
			t.Errorf("%s: the API says (-want +got)\n%s", step.name, diff)
		}
		var metrics []string
		for line := range strings.Lines(scrape(t, d)) {
			if rest, ok := strings.CutPrefix(strings.TrimSpace(line), `muster_alerts{check="`); ok {
				metrics = append(metrics, rest)
			}
		}
		if diff := cmp.Diff(step.metrics, metrics); diff != "" {
			t.Errorf("%s: the metrics say (-want +got)\n%s", step.name, diff)
		}
	}

	told := []string{"raised low-voltage:house", "regraded low-voltage:house", "acknowledged low-voltage:house", "unsilenced bus-load-high:can0", "cleared low-voltage:house"}
	eventually(t, func() bool { return len(hook.got()) >= len(told) && d.keeper.store.Unsent("am") == 0 })
	var hub []string
	for _, it := range d.keeper.store.Waiting(fleet.Target, 100) {
		var e fleet.Envelope
		if it.Body[0] != 'a' { // a report
			continue
		}
		err := json.Unmarshal(it.Body[1:], &e)
		var m Message
		if err == nil {
			err = json.Unmarshal(e.Body, &m)
		}
		if err != nil {
			t.Fatal(err)
		}
		hub = append(hub, string(m.Kind)+" "+m.Alert.ID)
	}
	http.DefaultClient.CloseIdleConnections()
	stop()
	for who, got := range map[string][]string{"webhook": hook.got(), "hub's queue": hub} {
		if diff := cmp.Diff(told, got); diff != "" {
			t.Errorf("the %s was told (-want +got)\n%s", who, diff)
		}
	}
	if diff := cmp.Diff([]string{"raised low-voltage:house warning", "regraded low-voltage:house critical", "acknowledged low-voltage:house critical",
		"raised bus-load-high:can0 warning silenced", "unsilenced bus-load-high:can0 warning", "cleared low-voltage:house critical"}, log.lines); diff != "" {
		t.Errorf("the log says (-want +got)\n%s", diff)
	}
	// An Alertmanager identifies an alert by its labels: another severity is another alert, and the end of the first
	// is sent.
	want := []string{"stands warning low-voltage:house", "stands critical low-voltage:house", "over warning low-voltage:house", "stands warning bus-load-high:can0",
		"over critical low-voltage:house"}
	slices.Sort(want)
	slices.Sort(am.told)
	if diff := cmp.Diff(want, am.told); diff != "" {
		t.Errorf("the Alertmanager was told (-want +got)\n%s", diff)
	}
}
