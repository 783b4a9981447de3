package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/rs/zerolog"

	"muster/internal/api"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/tap"
	"muster/pgn"
)

func TestReload(t *testing.T) {
	d, _ := aboard(t, keptOptions(t, t.TempDir()))
	c := d.opt.Config
	c.Checks.Every = 2 * time.Second
	c.Baseline = filepath.Join(t.TempDir(), "none.json")
	if _, err := d.Reload(t.Context(), c); err == nil || !strings.Contains(err.Error(), "none.json") {
		t.Errorf("a baseline that is not there: %v", err)
	}
	if got := d.opt.Config.Checks.Every; got != 10*time.Second {
		t.Errorf("a broken config changed the interval to %v", got)
	}
	c.Baseline = ""
	if late, err := d.Reload(t.Context(), c); err != nil || len(late) != 0 || d.model.watch.Every() != 2*time.Second || d.model.view.Load().checks.Every != 2*time.Second {
		t.Errorf("%v, every %v, after a restart %q", err, d.model.watch.Every(), late)
	}
	c.Listen, c.Log.Level, c.StateDir, c.TLS.Cert = "127.0.0.1:1", "debug", "/elsewhere", "cert.pem"
	for range 2 { // they keep their present values, so the second time reports it again
		late, err := d.Reload(t.Context(), c)
		if diff := cmp.Diff([]string{"listen", "tls", "state_dir", "log"}, late); diff != "" || err != nil {
			t.Errorf("%v %s", err, diff)
		}
	}
	// Where the log can be changed it is, by a config that can be used alone.
	var set []config.Log
	d.opt.SetLog = func(l config.Log) { set = append(set, l) }
	c = d.opt.Config
	c.Log.Level, c.Baseline = "debug", filepath.Join(t.TempDir(), "none.json")
	if _, err := d.Reload(t.Context(), c); err == nil || len(set) != 0 {
		t.Errorf("a config that cannot be used: %v, log %v", err, set)
	}
	c.Baseline = ""
	late, err := d.Reload(t.Context(), c)
	if diff := cmp.Diff([]config.Log{{Level: "debug", Format: c.Log.Format}}, set); diff != "" || err != nil || len(late) != 0 || d.opt.Config.Log != c.Log {
		t.Errorf("%v %s, after a restart %q", err, diff, late)
	}
}

// fakes opens sources that tests inspect.
type fakes struct {
	mu     sync.Mutex
	opened map[string]*fakeSource
	times  map[string]int
}

func (f *fakes) open(spec string, _ bool) (tap.Source, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if spec == "can9" {
		return nil, errors.New("no can9")
	}
	now := event.At(time.Now())
	n := spec[len(spec)-1] - '0'
	src := newFake(nil, []event.Event{network(now, spec, false), claim(now, nameA+pgn.NAME(n), 10+n)})
	f.opened[spec] = src
	f.times[spec]++
	return src, nil
}

func (f *fakes) get(spec string) *fakeSource {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.opened[spec]
}

// heard are the networks with their devices' addresses and the frames received.
func heard(r *report.Report) map[string]uint8 {
	all := map[string]uint8{}
	for _, n := range r.Networks {
		all[n.ID] = 0
	}
	for _, d := range r.Devices {
		all[d.Network] = *d.Address
	}
	return all
}

// TestReloadSources: what is new is begun, what is no longer named ends and is forgotten, and what stays is read on without a break.
func TestReloadSources(t *testing.T) {
	f := &fakes{opened: map[string]*fakeSource{}, times: map[string]int{}}
	opt := keptOptions(t, t.TempDir())
	opt.Open = f.open
	opt.Config.Sources = []config.Source{{Source: "can1"}, {Source: "can2"}}
	d, stop := aboard(t, opt)
	eventually(t, func() bool { return len(d.Report().Devices) == 2 })
	can1, can2 := f.get("can1"), f.get("can2")
	reload := func(list ...config.Source) ([]string, error) {
		t.Helper()
		c := d.opt.Config
		c.Sources = list
		return d.Reload(t.Context(), c)
	}
	frames := func(id string) uint64 {
		r := d.Report()
		i := slices.IndexFunc(r.Networks, func(n report.Network) bool { return n.ID == id })
		return r.Networks[i].Frames
	}

	if _, err := reload(config.Source{Source: "can2"}, config.Source{Source: "can3"}, config.Source{Source: "can9"}); err == nil || !strings.Contains(err.Error(), "can9") {
		t.Errorf("a source that cannot be opened: %v", err)
	}
	if can1.isClosed() || can2.isClosed() || !f.get("can3").isClosed() || len(d.sources.inputs()) != 2 {
		t.Error("a reload that failed changed the sources, or left one open")
	}
	if _, err := reload(); !errors.Is(err, errNoSource) {
		t.Errorf("no source: %v", err)
	}

	late, err := reload(config.Source{Source: "can3"}, config.Source{Source: "can2"})
	if err != nil || len(late) != 0 {
		t.Errorf("%v, after a restart %q", err, late)
	}
	eventually(t, func() bool { return heard(d.Report())["can3"] != 0 })
	if diff := cmp.Diff(map[string]uint8{"can2": 12, "can3": 13}, heard(d.Report())); diff != "" {
		t.Error(diff)
	}
	if !can1.isClosed() || can2.isClosed() || f.times["can2"] != 1 || frames("can2") != 1 {
		t.Errorf("closed: %v %v; %d frames", can1.isClosed(), can2.isClosed(), frames("can2"))
	}
	if err := d.Ready(); err != nil {
		t.Error(err)
	}

	late, err = reload(config.Source{Source: "can3"}, config.Source{Source: "can2", ID: "stern"})
	if diff := cmp.Diff([]string{"sources (id or ask of can2)"}, late); err != nil || diff != "" {
		t.Errorf("%v %s", err, diff)
	}
	if can2.isClosed() || d.opt.Config.Sources[1].ID != "" {
		t.Errorf("sources %+v", d.opt.Config.Sources)
	}

	for range 40 { // numbers of networks come back, so that there is no end to it
		for _, spec := range []string{"can4", "can5"} {
			if _, err := reload(config.Source{Source: "can2"}, config.Source{Source: spec}); err != nil {
				t.Fatal(err)
			}
			eventually(t, func() bool { return heard(d.Report())[spec] != 0 })
		}
	}
	stop()
	for spec, src := range f.opened {
		if !src.isClosed() {
			t.Errorf("%s was left open", spec)
		}
	}
}

// TestReloadOfReplay: what is read from its beginning stays as it is.
func TestReloadCapture(t *testing.T) {
	opt := keptOptions(t, t.TempDir())
	opt.Config.Sources = []config.Source{{Source: "quay.log"}}
	opt.Open = func(spec string, _ bool) (tap.Source, error) {
		if spec == "can0" {
			return newFake(nil), nil
		}
		return recordedFake{newFake(nil)}, nil
	}
	d, _ := aboard(t, opt)
	c := d.opt.Config
	c.Sources = []config.Source{{Source: "can0"}}
	if late, err := d.Reload(t.Context(), c); err != nil || len(late) != 1 || len(d.sources.inputs()) != 1 || d.sources.inputs()[0].spec != "quay.log" {
		t.Errorf("%v, after a restart %q", err, late)
	}

	opt.Config.Sources = []config.Source{{Source: "can0"}}
	opt.Config.StateDir = t.TempDir()
	d, _ = aboard(t, opt)
	c.Sources = []config.Source{{Source: "can0"}, {Source: "quay.log"}}
	if _, err := d.Reload(t.Context(), c); err == nil || !strings.Contains(err.Error(), "quay.log") || len(d.sources.inputs()) != 1 {
		t.Errorf("a capture beside an interface: %v", err)
	}
}

type recordedFake struct{ *fakeSource }

func (recordedFake) Progress() (read, total int64) { return 0, 0 }

// TestReloadAsk: asking that cannot be done where a reload asks for it does not end the daemon.
func TestReloadAsk(t *testing.T) {
	var log lockedBuffer
	opt := keptOptions(t, t.TempDir())
	opt.Log = zerolog.New(&log)
	open := opt.Open
	opt.Open = func(spec string, ask bool) (tap.Source, error) {
		if spec == "can1" {
			return &sendingFake{newFake(nil, []event.Event{network(event.At(time.Now()), "can1", true)}), nil}, nil
		}
		return open(spec, ask)
	}
	d, _ := aboard(t, opt)
	c := d.opt.Config
	c.Sources = append(slices.Clone(c.Sources), config.Source{Source: "can1", Ask: true})
	if _, err := d.Reload(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	eventually(t, func() bool { return strings.Contains(log.String(), "listen-only") })
	eventually(t, func() bool { return len(heard(d.Report())) == 1 })
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.Write(p)
}

func (b *lockedBuffer) reset() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.b.Reset()
}

func (b *lockedBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.b.String()
}

// TestReloadTokens: another token holds at once, and the answer names what waits for a restart.
func TestReloadTokens(t *testing.T) {
	const first, second = "0123456789abcdef", "fedcba9876543210"
	opt := keptOptions(t, t.TempDir())
	opt.Config.Listen, opt.Config.Token = "0.0.0.0:0", first
	d, err := New(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	next := d.opt.Config
	d.opt.Load = func(context.Context) (config.Config, error) { return next, nil }
	done := make(chan error, 1)
	go func() { done <- d.Run(t.Context()) }()
	defer func() {
		if err := errors.Join(d.Stop(), <-done); err != nil {
			t.Error(err)
		}
	}()
	defer http.DefaultClient.CloseIdleConnections()
	url := strings.Replace(d.URL(), "[::]", "127.0.0.1", 1)
	reload := func(token string) (int, api.Reloaded) {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, url+"/api/v1/reload", nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+token)
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		var answer api.Reloaded
		text, err := io.ReadAll(resp.Body)
		if err != nil || resp.StatusCode == http.StatusOK && json.Unmarshal(text, &answer) != nil {
			t.Fatalf("%v: %s", err, text)
		}
		return resp.StatusCode, answer
	}
	next.Token, next.Listen = second, "127.0.0.1:1"
	status, answer := reload(first)
	if diff := cmp.Diff(api.Reloaded{AfterRestart: []string{"listen"}}, answer); status != 200 || diff != "" {
		t.Errorf("%d %s", status, diff)
	}
	if status, _ := reload(first); status != http.StatusUnauthorized {
		t.Errorf("the old token: %d", status)
	}
	next.Token = "" // as loopback needs none, but the address in use is not that
	if status, answer = reload(second); status != 200 || len(answer.AfterRestart) != 2 || !strings.HasPrefix(answer.AfterRestart[1], "token_file") {
		t.Errorf("%d %q", status, answer.AfterRestart)
	}
	if status, _ := reload(second); status != 200 {
		t.Errorf("the address that others can reach lost its token: %d", status)
	}
	next.TLS.Cert, next.TLS.Key = "none.pem", "none.pem"
	if status, _ := reload(second); status != http.StatusUnprocessableEntity {
		t.Errorf("a certificate that is not there: %d", status)
	}
}

// TestNotify: systemd is notified of the start, of each reload with its moment and its end, of life, and of the stop. The order and the keys are
// those of sd_notify(3).
func TestNotify(t *testing.T) {
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(t.TempDir(), "notify"), Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	heard, alive := make(chan string, 16), atomic.Bool{}
	go func() { // all the time, as systemd does: a full socket holds up the daemon
		text := make([]byte, 4096)
		for {
			n, err := socket.Read(text)
			if err != nil {
				return
			}
			if s := string(text[:n]); s == "WATCHDOG=1" {
				alive.Store(true)
			} else {
				heard <- s
			}
		}
	}()
	t.Setenv("NOTIFY_SOCKET", socket.LocalAddr().String())
	t.Setenv("WATCHDOG_USEC", "3000")
	d, err := New(t.Context(), keptOptions(t, t.TempDir()))
	if err != nil {
		t.Fatal(err)
	}
	broken := errors.New("muster.yaml:3:5: checks.every:\nwrong")
	answer := broken
	d.opt.Load = func(context.Context) (config.Config, error) {
		c := d.opt.Config
		c.Checks.Every, c.Log.Level = 3*time.Second, "debug"
		return c, answer
	}
	early := make(chan error, 1)
	go func() { // a hangup before the start
		_, err := d.ReloadConfig(t.Context())
		early <- err
	}()
	done := make(chan error, 1)
	go func() { done <- d.Run(t.Context()) }()
	if err := <-early; !errors.Is(err, broken) || d.reload.failed.Load() != 1 {
		t.Errorf("%v, %d failures", err, d.reload.failed.Load())
	}
	answer = nil
	if late, err := d.ReloadConfig(t.Context()); err != nil || d.model.watch.Every() != 3*time.Second || len(late.AfterRestart) != 1 {
		t.Errorf("%v, every %v, after a restart %q", err, d.model.watch.Every(), late)
	}
	var all []string
	for len(all) < 5 {
		all = append(all, regexp.MustCompile(`=[0-9]{4,}\n`).ReplaceAllString(<-heard, "=MOMENT"))
	}
	eventually(t, alive.Load)
	if err := errors.Join(d.Stop(), <-done); err != nil {
		t.Error(err)
	}
	if s := <-heard; s != "STOPPING=1" {
		t.Errorf("at the end: %q", s)
	}
	want := []string{"READY=1", "RELOADING=1\nMONOTONIC_USEC=MOMENT", "READY=1\nSTATUS=config not reloaded: muster.yaml:3:5: checks.every: wrong",
		"RELOADING=1\nMONOTONIC_USEC=MOMENT", "READY=1\nSTATUS=config reloaded; after a restart: log"}
	if diff := cmp.Diff(want, all); diff != "" {
		t.Error(diff)
	}
	if _, err := d.ReloadConfig(t.Context()); !errors.Is(err, errStopped) {
		t.Errorf("after the end: %v", err)
	}
}
