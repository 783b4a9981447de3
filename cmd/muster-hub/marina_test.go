package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"muster/internal/boat"
	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/event"
	"muster/internal/fleet"
	"muster/internal/fleet/hub"
	"muster/internal/hosttest"
	"muster/internal/report"
	"muster/internal/sim"
	"muster/internal/tap"
)

const patience = 3 * time.Minute

// until waits for something that must come.
func until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); !ok(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("did not come within %v: %s", patience, what)
		}
	}
}

// process is a muster-hub that runs until it is stopped.
type process struct {
	cmd          *exec.Cmd
	boats, pages string // URLs
	ended        chan struct{}

	mu  sync.Mutex
	log bytes.Buffer
}

// start runs muster-hub and waits until it takes boats and, unless they are off, serves pages.
func start(t testing.TB, args ...string) *process {
	t.Helper()
	p := &process{cmd: exec.Command("muster-hub", args...), ended: make(chan struct{})}
	out, err := p.cmd.StderrPipe()
	if err == nil {
		err = p.cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	boats, pages := make(chan string, 1), make(chan string, 1)
	go func() {
		defer close(p.ended)
		for lines := bufio.NewScanner(out); lines.Scan(); {
			p.mu.Lock()
			fmt.Fprintln(&p.log, lines.Text())
			p.mu.Unlock()
			var said struct{ Message, URL string }
			_ = json.Unmarshal(lines.Bytes(), &said)
			switch said.Message {
			case "boats are expected":
				boats <- said.URL
			case "pages are served":
				pages <- said.URL
			}
		}
	}()
	t.Cleanup(func() {
		p.end(t, syscall.SIGTERM)
		if t.Failed() {
			t.Logf("muster-hub %s:\n%s", strings.Join(args, " "), p.log.String())
		}
	})
	wait := func(c chan string) string {
		select {
		case url := <-c:
			return url
		case <-p.ended:
			t.Fatalf("muster-hub %s ended:\n%s", strings.Join(args, " "), p.log.String())
		case <-time.After(patience):
			t.Fatal("muster-hub did not start")
		}
		return ""
	}
	line := strings.Join(args, " ")
	if !strings.Contains(line, "--nats") {
		p.boats = wait(boats)
	}
	if !strings.Contains(line, "--listen off") {
		p.pages = wait(pages)
	}
	return p
}

func (p *process) end(t testing.TB, how os.Signal) {
	t.Helper()
	_ = p.cmd.Process.Signal(how)
	<-p.ended
	if err := p.cmd.Wait(); err != nil && how == syscall.SIGTERM && p.cmd.ProcessState.ExitCode() > 0 {
		t.Errorf("muster-hub: %v", err)
	}
}

// hubSays runs muster-hub to its end and returns both outputs.
func hubSays(t testing.TB, args ...string) (stdout, stderr string) {
	t.Helper()
	cmd := exec.Command("muster-hub", args...)
	var out, err bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &err
	if e := cmd.Run(); e != nil {
		t.Fatalf("muster-hub %s: %v\n%s", strings.Join(args, " "), e, err.String())
	}
	return out.String(), err.String()
}

// ask reads an answer of the API; it reports false when there is none.
func ask(url string, to any) bool {
	resp, err := http.Get(url)
	if err != nil {
		return false
	}
	defer resp.Body.Close()
	return resp.StatusCode == http.StatusOK && json.NewDecoder(resp.Body).Decode(to) == nil
}

// board runs the boat's daemon on the boat of the demo, twenty times as fast as the clock.
func board(t *testing.T, id, url, creds string) {
	t.Helper()
	sc, err := sim.Load(t.Context(), "demo")
	if err != nil {
		t.Fatal(err)
	}
	sc.Timeline = nil // nothing is updated before the marina asks
	began := time.Now()
	c := config.Default()
	c.Listen, c.StateDir, c.Boat.ID, c.Boat.Name = "off", t.TempDir(), id, sc.Boat.Name
	c.Sources = []config.Source{{Source: "sim:demo", Ask: true}}
	c.Fleet = config.Fleet{URL: []string{url}, Credentials: creds, Every: time.Minute}
	c.Store.Every = time.Second
	d, err := daemon.New(t.Context(), daemon.Options{Config: c, Log: zerolog.Nop(), Version: "v0.0.0-test",
		Now: func() time.Time { return began.Add(20 * time.Since(began)) },
		Open: func(string, bool) (tap.Source, error) {
			return sim.NewPlayer(sim.New(sc, sc.Seed, event.At(began)), 20), nil
		}})
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
}

// TestMarina is the story of the README: a hub starts, a boat is enrolled and reports, the marina asks, the hub is
// killed and comes back, and the boat is revoked.
func TestMarina(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	dir := t.TempDir()
	data, creds := filepath.Join(dir, "hub"), filepath.Join(dir, "wagtail.creds")
	args := []string{"run", "--data", data, "--boats-listen", hosttest.Address(t), "--listen", hosttest.Address(t), "--sheets", "../../deploy/sheets"}
	h := start(t, args...)
	if _, told := hubSays(t, "enroll", "--data", data, "wagtail", "-o", creds); !strings.Contains(told, "is enrolled, at once") {
		t.Errorf("enroll: %s", told)
	}
	board(t, "wagtail", h.boats, creds)

	var shown struct {
		Verdict   hub.Verdict
		LastHeard time.Time `json:"last_heard"`
		Behind    int
		Revoked   time.Time
		Alerts    []struct{ Check string }
		Boards    []hub.Board
	}
	look := func() bool { return ask(h.pages+"/api/v1/boats/wagtail", &shown) }
	until(t, "the boat's devices and its alert of heads that differ", func() bool {
		if !look() || shown.Behind == 0 {
			return false
		}
		for _, a := range shown.Alerts {
			if a.Check == "software-differs" {
				return true
			}
		}
		return false
	})
	var hits []struct {
		Boat   string
		Device struct{ Model, Software string }
	}
	if !ask(h.pages+"/api/v1/search?model=LF9&below=4.52", &hits) || len(hits) == 0 || hits[0].Boat != "wagtail" {
		t.Errorf("who still runs LF9 below 4.52: %+v", hits)
	}
	var campaigns []struct {
		Model  string
		Counts struct{ Behind int }
	}
	if !ask(h.pages+"/api/v1/campaigns", &campaigns) || len(campaigns) == 0 || campaigns[0].Counts.Behind == 0 {
		t.Errorf("campaigns: %+v", campaigns)
	}
	page := func(path, want string) {
		t.Helper()
		resp, err := http.Get(h.pages + path)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		var b bytes.Buffer
		if _, err := b.ReadFrom(resp.Body); err != nil || !strings.Contains(b.String(), want) {
			t.Errorf("%s lacks %q: %v", path, want, err)
		}
	}
	page("/week", `id="visit-wagtail"`)
	page("/boats/wagtail", `id="report"`)
	page("/alerts", "software differs")

	h.end(t, syscall.SIGKILL)
	before := shown.Boards[0].Seq
	h = start(t, args...)
	until(t, "the boat's word after the hub came back", func() bool { return look() && shown.Boards[0].Seq > before })
	if len(shown.Boards) != 1 {
		t.Errorf("boards %+v", shown.Boards)
	}

	if _, told := hubSays(t, "revoke", "--data", data, "wagtail"); !strings.Contains(told, "Access of wagtail is revoked, at once") {
		t.Errorf("revoke: %s", told)
	}
	until(t, "the hub shows that it is shut out", func() bool { return look() && !shown.Revoked.IsZero() })
	if list, _ := hubSays(t, "boats", "--data", data); !strings.Contains(list, "wagtail") {
		t.Errorf("boats: %s", list)
	}
}

// TestMoveToCluster follows the steps that muster-hub move --help gives, with three of the system's servers, while a boat reports.
func TestMoveToCluster(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	natsServer, err := exec.LookPath("nats-server")
	if err != nil {
		natsServer, err = exec.LookPath("/usr/sbin/nats-server")
	}
	if err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatal(err)
		}
		t.Skip("nats-server is not installed")
	}
	dir := t.TempDir()
	data := filepath.Join(dir, "hub")
	old := start(t, "run", "--data", data, "--boats-listen", "127.0.0.1:0", "--listen", "127.0.0.1:0")
	hubSays(t, "enroll", "--data", data, "wagtail", "-o", filepath.Join(dir, "wagtail.creds"))
	b := newTeller(t, filepath.Join(dir, "wagtail.creds"))
	b.tell(t, old.boats, 20)

	var routes, urls []string
	for range 3 {
		routes = append(routes, hosttest.Address(t))
	}
	for i := range 3 { // 1
		listen := hosttest.Address(t)
		args := []string{"server-config", "--data", data, "--name", fmt.Sprintf("n%d", i), "--listen", listen, "--store", filepath.Join(dir, fmt.Sprintf("n%d", i)),
			"--cluster", "marina", "--cluster-listen", routes[i]}
		for _, r := range routes {
			args = append(args, "--route", r)
		}
		text, _ := hubSays(t, args...)
		conf := filepath.Join(dir, fmt.Sprintf("n%d.conf", i))
		if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		node := exec.Command(natsServer, "-c", conf, "-l", conf+".log")
		if err := node.Start(); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = node.Process.Kill(); _ = node.Wait() })
		urls = append(urls, "nats://"+listen)
		until(t, "the node takes connections", func() bool {
			c, err := net.Dial("tcp", listen)
			if err == nil {
				_ = c.Close()
			}
			return err == nil
		})
	}
	cluster := strings.Join(urls, ",")
	move := func(from string) string {
		t.Helper()
		var said string
		until(t, "everything is moved", func() bool { // the command may be repeated
			out, err := exec.Command("muster-hub", "move", "--data", data, "--from", from, "--to", cluster).Output()
			said = string(out)
			return err == nil
		})
		return said
	}
	move(old.boats)             // 2
	b.tell(t, old.boats, 10)    // came in between
	b.tell(t, urls[1], 10)      // 3
	old.end(t, syscall.SIGTERM) // 4
	again := start(t, "run", "--data", data, "--boats-listen", "127.0.0.1:0", "--listen", "off")
	if said := move(again.boats); !strings.Contains(said, "30 of 30 there") {
		t.Errorf("move said %s", said)
	}
	again.end(t, syscall.SIGTERM)
	now := start(t, "run", "--data", data, "--nats", cluster, "--replicas", "3", "--listen", "127.0.0.1:0") // 5
	var history []hub.Past
	until(t, "every report is in the history, once", func() bool {
		return ask(now.pages+"/api/v1/boats/wagtail/history?limit=1000", &history) && len(history) == 40
	})
	var shown struct{ Boards []hub.Board }
	until(t, "the latest is shown", func() bool {
		return ask(now.pages+"/api/v1/boats/wagtail", &shown) && len(shown.Boards) == 1 && shown.Boards[0].Seq == 40
	})
}

// teller is a boat computer that sends to whichever server it is pointed to, each message until it is acknowledged.
type teller struct {
	creds string
	codec *fleet.Codec
	seq   uint64
}

func newTeller(t *testing.T, creds string) *teller {
	t.Helper()
	codec, err := fleet.NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	return &teller{creds: creds, codec: codec}
}

func (b *teller) tell(t *testing.T, url string, n int) {
	t.Helper()
	nc, err := nats.Connect(url, nats.UserCredentials(b.creds), nats.CustomInboxPrefix(fleet.Inbox("wagtail")), nats.Timeout(patience))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc, jetstream.WithDefaultTimeout(5*time.Second))
	if err != nil {
		t.Fatal(err)
	}
	r := report.Report{Schema: report.V1, Boat: boat.Identity{ID: "wagtail"}, TakenAt: event.At(time.Now()), Clock: boat.ClockSystem}
	body, err := json.Marshal(&r)
	if err != nil {
		t.Fatal(err)
	}
	data, err := b.codec.Encode(&fleet.Envelope{Schema: fleet.Schema, Boat: r.Boat, MadeAt: time.Now(), Clock: r.Clock, Version: "test", Body: body})
	if err != nil {
		t.Fatal(err)
	}
	for range n {
		b.seq++
		m := nats.NewMsg(fleet.Subject("wagtail", fleet.KindReport))
		m.Data = data
		m.Header.Set(nats.MsgIdHdr, fleet.MessageID("board1", b.seq))
		until(t, "an acknowledgement", func() bool {
			_, err := js.PublishMsg(context.Background(), m)
			return err == nil
		})
	}
}
