package main

import (
	"bytes"
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"go.einride.tech/can"

	"muster/internal/api"
	"muster/internal/daemon"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/tap"
)

// told is what a running muster answers at one moment; an empty report represents one that is away.
type told struct{ report, conditions []byte }

// demoTold is what a muster on the demo boat answers second by second, when it was started so long after the boat's
// story began.
func demoTold(t *testing.T, started, until time.Duration) (list []told) {
	t.Helper()
	a := &app{ctx: t.Context(), stdin: strings.NewReader("")}
	cfg, err := loadConfig(t.Context(), "", []string{"sim:demo"}, true)
	if err != nil {
		t.Fatal(err)
	}
	cfg.Boat.ID, cfg.Boat.Name = "wagtail", "Wagtail"
	begin := event.At(simStart).Add(started)
	opt := daemon.Options{Config: once(cfg), Log: zerolog.Nop(), Version: "test"}
	opt.Open = func(spec string, transmit bool) (tap.Source, error) {
		src, err := a.opener(false)(spec, transmit)
		return &lateSource{src, begin}, err
	}
	opt.OnReport = func(_ event.Time, r *report.Report, c release.Conditions) {
		text, err := api.EncodeReport(r)
		if err != nil {
			t.Error(err)
		}
		cond, err := json.Marshal(api.Conditions{At: r.TakenAt, Conditions: c})
		if err != nil {
			t.Error(err)
		}
		list = append(list, told{text, cond})
	}
	if _, err := daemon.Replay(t.Context(), opt, until-started, nil); err != nil {
		t.Fatal(err)
	}
	return list
}

// lateSource leaves out what was sent before a listener was there.
type lateSource struct {
	tap.Source
	begin event.Time
}

func (s *lateSource) Read(list []event.Event) (int, error) {
	for {
		n, err := s.Source.Read(list)
		kept := list[:0]
		for _, e := range list[:n] {
			if e.Time >= s.begin || e.Kind == event.KindNetwork {
				e.Time = max(e.Time, s.begin)
				kept = append(kept, e)
			}
		}
		if len(kept) > 0 || err != nil {
			return len(kept), err
		}
	}
}

// Send passes on what the muster's own presence sends.
func (s *lateSource) Send(f can.Frame) error { return s.Source.(tap.Sender).Send(f) }

// toldServer answers each question for the report with the next of the list. Behind the last it calls ended, and is away.
type toldServer struct {
	mu    sync.Mutex
	list  []told
	next  int
	ended func()
}

func (s *toldServer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch r.URL.Path {
	case "/api/v1/report":
		if s.next == len(s.list) {
			s.ended()
			http.Error(w, "away", http.StatusServiceUnavailable)
			return
		}
		s.next++
		if t := s.list[s.next-1]; len(t.report) > 0 {
			_, _ = w.Write(t.report)
			return
		}
		http.Error(w, "away", http.StatusServiceUnavailable)
	case "/api/v1/conditions":
		_, _ = w.Write(s.list[s.next-1].conditions)
	default:
		http.NotFound(w, r)
	}
}

// followTold follows an order over the API of a muster that answers with the list.
func followTold(t *testing.T, list []told, order, state string) (out, errs string, err error) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	server := httptest.NewServer(&toldServer{list: list, ended: cancel})
	defer server.Close()
	var stdout, stderr bytes.Buffer
	a := &app{ctx: ctx, stdin: strings.NewReader(""), stdout: &stdout, stderr: &stderr}
	c := followCmd{Order: order, Source: server.URL, State: state}
	f, err := c.begin(a)
	if err != nil {
		t.Fatal(err)
	}
	f.stop = cancel
	err = f.end(c.watchURL(ctx, f, time.Millisecond))
	return stdout.String(), stderr.String(), err
}

// TestFollowURL: an order is followed over the API, with the supply voltage, while the muster that is asked is restarted with a device
// away, and while the follower itself is.
func TestFollowURL(t *testing.T) {
	dir := t.TempDir()
	wagtail := filepath.Join(dir, "wagtail.yaml")
	before, order := filepath.Join(dir, "before.json"), filepath.Join(dir, "order.json")
	if err := os.WriteFile(wagtail, []byte("boat: {id: wagtail, name: Wagtail}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	muster(t, "snapshot", "sim:demo", "--ask", "--for", "55s", "-o", before, "--config", wagtail)
	muster(t, "plan", before, "--sheets", "../../deploy/sheets", "-o", order)

	// The flybridge display is away for its second update from 3m34s to 4m20s; the muster that is asked is started again meanwhile.
	const down, up, end = 3*time.Minute + 50*time.Second, 4 * time.Minute, 6 * time.Minute
	first := demoTold(t, 0, down)
	list := append(append(append([]told{}, first...), make([]told, 4)...), demoTold(t, up, end)...)
	out, errs, err := followTold(t, list, order, "")
	if err == nil || !strings.Contains(err.Error(), "1 step failed, 2 steps open") {
		t.Errorf("ended with %v", err)
	}
	for _, want := range []string{"failed: came back on the old version 4.47", "left the network", "battery voltage is 10.8 V while it is away (limit 12.0 V)", "is back",
		"reported its version", "came back with device instance 0 and system instance 0, it had 1 and 0: set them again",
		`installation text 1 was "Flybridge" and is now ""`, "battery voltage fell to 10.8 V while it was away, below 12.0 V"} {
		if !strings.Contains(out, want) {
			t.Errorf("nothing says %q:\n%s", want, out)
		}
	}
	if n := strings.Count(errs, "going on when it answers"); n != 1 {
		t.Errorf("told %d times that nobody answers:\n%s", n, errs)
	}

	// The follower is restarted too, at the same time and before: its knowledge of the work lies in its state.
	state := filepath.Join(dir, "work.json")
	for _, part := range [][]told{first[:100], first[100:], demoTold(t, up, end)} {
		out, errs, err = followTold(t, part, order, state)
	}
	if err == nil || !strings.Contains(err.Error(), "1 step failed, 2 steps open") {
		t.Errorf("restarted: ended with %v\n%s%s", err, out, errs)
	}
	for _, want := range []string{"[!] 1.1 ", "came back with device instance 0", "battery voltage fell to 10.8 V while it was away"} {
		if !strings.Contains(out, want) {
			t.Errorf("restarted: nothing says %q:\n%s", want, out)
		}
	}
}

// TestPlanNowURL: the pre-checks of an order are made on what a running muster receives.
func TestPlanNowURL(t *testing.T) {
	dir := t.TempDir()
	before := filepath.Join(dir, "before.json")
	muster(t, "snapshot", "sim:demo", "--ask", "--for", "55s", "-o", before)
	list := demoTold(t, 0, time.Minute)
	server := httptest.NewServer(&toldServer{list: list[len(list)-1:], ended: func() {}})
	defer server.Close()
	out := muster(t, "plan", before, "--sheets", "../../deploy/sheets", "--now", server.URL)
	for _, want := range []string{"BEFORE STARTING (as received on " + server.URL + " at 2026-05-02T08:00:5", "[x] supply             battery voltage is 13.0 V (minimum 12.0 V), received since 08:00:00 UTC",
		"[?] supply-trend ", "[x] engines-stopped    engines are stopped (0/min), ", "[x] not-moving ", "[x] devices-present ", "[x] as-in-snapshot "} {
		if !strings.Contains(out, want) {
			t.Errorf("the order does not say %q:\n%s", want, out)
		}
	}
	none := httptest.NewServer(http.NotFoundHandler())
	defer none.Close()
	if status, errs := tell(t, "plan", before, "--sheets", "../../deploy/sheets", "--now", none.URL); status != exitSource || !strings.Contains(errs, "for its report: it answers 404") {
		t.Errorf("exit status %d: %s", status, errs)
	}
}

// TestPlanNowLive: a live source is received for as long as asked for, and what it does not send stays unknown.
func TestPlanNowLive(t *testing.T) {
	dir := t.TempDir()
	before, wagtail := filepath.Join(dir, "before.json"), filepath.Join(dir, "wagtail.yaml")
	if err := os.WriteFile(wagtail, []byte("boat: {id: wagtail}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	muster(t, "snapshot", "sim:demo", "--ask", "--for", "55s", "-o", before, "--config", wagtail)
	source := "0183+tcp:" + lineServer(t, "$IIHDT,123.4,T*26")
	out := muster(t, "plan", before, "--sheets", "../../deploy/sheets", "--now", source, "--for", "1500ms", "--config", wagtail)
	for _, want := range []string{"[?] supply ", "[?] engines-stopped ", "[?] not-moving ", "[!] devices-present    not on the network: "} {
		if !strings.Contains(out, want) {
			t.Errorf("the order does not say %q:\n%s", want, out)
		}
	}
	status, errs := tell(t, "plan", before, "--sheets", "../../deploy/sheets", "--now", source, "--for", "1500ms")
	if status != exitUsage || !strings.Contains(errs, "it is another boat than the snapshot's") {
		t.Errorf("another boat: exit status %d: %s", status, errs)
	}
	status, errs = tell(t, "plan", before, "--sheets", "../../deploy/sheets", "--now", "0183+tcp:"+lineServer(t, ""), "--for", "300ms")
	if status != exitSource || !strings.Contains(errs, "nothing was received on 0183+tcp:") {
		t.Errorf("nothing: exit status %d: %s", status, errs)
	}
}
