package main

import (
	"bytes"
	"context"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/fleet"
	"muster/internal/fleet/broker"
	"muster/internal/fleet/hub"
	"muster/internal/fleet/pages"
	"muster/internal/fleet/trust"
)

// marina is a hub with its pages.
type marina struct {
	*hub.Hub
	keys *trust.Trust
	url  string
	now  time.Time // of the pages; zero for now
}

func newMarina(t *testing.T) *marina {
	t.Helper()
	ok := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	m := &marina{}
	var err error
	m.keys, err = trust.Open(filepath.Join(t.TempDir(), "trust"))
	ok(err)
	papers, err := m.keys.Papers()
	ok(err)
	server, err := broker.Start(t.Context(), broker.Options{Listen: "127.0.0.1:0", Dir: t.TempDir(), Papers: papers, SyncEvery: time.Minute, Log: zerolog.Nop()})
	ok(err)
	t.Cleanup(func() { _ = server.Stop(time.Minute) })
	creds, err := m.keys.HubCreds()
	ok(err)
	conn, err := server.Connect(creds, "hub")
	ok(err)
	t.Cleanup(conn.Close)
	creds, err = m.keys.SystemCreds()
	ok(err)
	system, err := server.Connect(creds, "system")
	ok(err)
	t.Cleanup(system.Close)
	m.Hub, err = hub.New(t.Context(), hub.Options{Conn: conn, Log: zerolog.Nop()})
	ok(err)
	_, port, _ := strings.Cut(strings.TrimPrefix(server.ClientURL(), "nats://"), ":")
	shown, err := pages.New(pages.Options{Listen: "127.0.0.1:0", Token: "a token that is long", Fleet: m.Hub, Trust: m.keys, BoatsURLs: []string{"nats://:" + port}, Log: zerolog.Nop(),
		Now: func() time.Time {
			if m.now.IsZero() {
				return time.Now()
			}
			return m.now
		}})
	ok(err)
	m.url = shown.URL()
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 3)
	go func() { done <- m.Run(ctx) }()
	go func() { m.KeepEnrolled(ctx, m.keys, system); done <- nil }()
	go func() { done <- shown.Serve(ctx) }()
	t.Cleanup(func() {
		ok(shown.Stop(context.Background()))
		stop()
		for range 3 {
			<-done
		}
	})
	return m
}

// code makes one for a boat, as the hub shows it.
func (m *marina) code(t *testing.T, boat string) string {
	t.Helper()
	code, _, err := m.keys.NewCode(boat, "Tern Quay", time.Now())
	if err != nil {
		t.Fatal(err)
	}
	return m.url + fleet.JoinPrefix + code
}

// joins runs muster and returns its exit status and what it printed.
func joins(args ...string) (int, string) {
	var out bytes.Buffer
	a := &app{stdin: strings.NewReader(""), stdout: &out, stderr: &out}
	return a.run(context.Background(), args), out.String()
}

// TestJoin enrols a boat with a code and nothing else: what the command leaves is a config with which the daemon reports to the hub.
func TestJoin(t *testing.T) {
	m := newMarina(t)
	dir := t.TempDir()
	file, state := filepath.Join(dir, "muster.yaml"), filepath.Join(dir, "state")
	const before = "# ours\nsources:\n  - source: sim:demo # the boat\nlisten: \"off\"\nboat:\n  name: Wagtail\nstate_dir: state\n"
	if err := errors.Join(os.Mkdir(state, 0o700), os.WriteFile(file, []byte(strings.Replace(before, "state_dir: state", "state_dir: "+state, 1)), 0o640)); err != nil {
		t.Fatal(err)
	}
	status, told := joins("join", m.code(t, "wagtail"), "--config", file)
	if status != 0 || !strings.Contains(told, "This boat is wagtail") || !strings.Contains(told, "systemctl restart muster") {
		t.Fatalf("status %d: %s", status, told)
	}
	text, err := os.ReadFile(file)
	if err != nil || !strings.Contains(string(text), "  - source: sim:demo # the boat\n") || !strings.HasPrefix(string(text), "# ours\n") {
		t.Errorf("the config became %s: %v", text, err)
	}
	if fi, err := os.Stat(filepath.Join(state, "hub.creds")); err != nil || fi.Mode().Perm() != 0o600 {
		t.Errorf("the key: %v, %v", fi, err)
	}
	cfg, err := config.Load(t.Context(), file)
	if err != nil || cfg.Boat.ID != "wagtail" || cfg.Boat.Name != "Wagtail" {
		t.Fatalf("%+v: %v", cfg.Boat, err)
	}
	a := &app{ctx: t.Context(), stdin: strings.NewReader(""), stdout: &bytes.Buffer{}, stderr: &bytes.Buffer{}}
	d, err := daemon.New(t.Context(), daemon.Options{Config: cfg, Log: zerolog.Nop(), Open: a.opener(true)})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- d.Run(context.Background()) }()
	t.Cleanup(func() {
		if err := errors.Join(d.Stop(), <-done); err != nil {
			t.Error(err)
		}
	})
	for end := time.Now().Add(3 * time.Minute); ; time.Sleep(50 * time.Millisecond) {
		if b := m.Boat("wagtail"); b != nil && !b.LastHeard.IsZero() && b.Marina == "Tern Quay" {
			break
		}
		if time.Now().After(end) {
			t.Fatal("the hub does not hear the boat")
		}
	}

	if status, told := joins("join", m.code(t, "wagtail"), "--config", file); status != 2 || !strings.Contains(told, "has the hub") {
		t.Errorf("a second hub: status %d: %s", status, told)
	}
	status, told = joins("join", m.code(t, "wagtail"), "--config", file, "--replace")
	again, err := os.ReadFile(file)
	if status != 0 || err != nil || !bytes.Equal(again, text) {
		t.Errorf("joined again: status %d: %s%s", status, told, again)
	}
}

// TestJoinRefused: whoever is refused learns why, the config stays as it was, and the hub shows the reason with the code.
func TestJoinRefused(t *testing.T) {
	m := newMarina(t)
	file := filepath.Join(t.TempDir(), "muster.yaml")
	const text = "boat: {id: wagtail}\nlisten: \"off\"\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	used := m.code(t, "wagtail")
	if status, told := joins("join", used, "--config", file); status != 0 {
		t.Fatalf("status %d: %s", status, told)
	}
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	expired := m.code(t, "wagtail")
	for _, tt := range []struct {
		name, code, want string
		at               time.Time
	}{
		{"a wrong code", m.url + fleet.JoinPrefix + "2222-2222-2222", "the code is wrong", time.Time{}},
		{"a used code", used, "used before", time.Time{}},
		{"an expired code", expired, "has expired", time.Now().Add(trust.CodeLasts + time.Minute)},
		{"another boat's code", m.code(t, "dunlin"), `it is for "dunlin", and boat.id is "wagtail"`, time.Time{}},
		{"no code", m.url, "holds no code", time.Time{}},
		{"in the clear", "http://hub.example.org/join/2222", "in the clear", time.Time{}},
		{"no hub", "http://127.0.0.1:1/join/2222", "ask the hub", time.Time{}},
	} {
		m.now = tt.at
		status, told := joins("join", tt.code, "--config", file)
		if status != 2 || !strings.Contains(told, tt.want) {
			t.Errorf("%s: status %d: %s", tt.name, status, told)
		}
		if now, err := os.ReadFile(file); err != nil || string(now) != text {
			t.Errorf("%s: the config became %s: %v", tt.name, now, err)
		}
	}
	m.now = time.Time{}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, m.url+"/enrol", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer a token that is long")
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var page bytes.Buffer
	if _, err := page.ReadFrom(resp.Body); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"used before", "has expired", "it is for &#34;dunlin&#34;"} {
		if !strings.Contains(page.String(), want) {
			t.Errorf("the page Enrol does not say %q", want)
		}
	}
	began := time.Now()
	for range 12 {
		joins("join", m.url+fleet.JoinPrefix+"3333-3333-3333", "--config", file)
	}
	if took := time.Since(began); took < 2*time.Second {
		t.Errorf("12 wrong codes of one address took %v: guessing is not slowed", took)
	}
}
