package daemon

import (
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/event"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/sim"
	"muster/internal/snapshot"
	"muster/internal/store"
)

// twoHeads is a boat one of whose displays is updated: it is away from 60 s to 210 s.
const twoHeads = `
title: Two displays
boat: {name: Sandpiper, latitude: 50.05, longitude: -4.9}
devices:
  - {id: helm, manufacturer: 2001, class: 120, function: 130, unique: 7, address: 2, model: Larkfin LF9 display, serial: LF9-7, software: "4.52", asks: true,
     sends: [{pgn: 129283}]}
  - {id: fly, manufacturer: 2001, class: 120, function: 130, unique: 33, instance: 1, address: 3, model: Larkfin LF9 display, serial: LF9-33, software: "4.47", asks: true,
     sends: [{pgn: 129284}]}
  - {id: battery, manufacturer: 2003, class: 35, function: 170, unique: 8, address: 20, model: Sanderling Tavrik 7 monitor, software: "3.20", sends: [{pgn: 127508}]}
timeline:
  - {at: 60s, do: update, device: fly, for: 150s, software: "4.52"}
`

// yard is a boat that is worked on, on a boat computer whose clock the test sets.
type yard struct {
	*board
	sim     *sim.Sim
	changes []alert.Change
}

func newYard(t *testing.T, wall time.Time) *yard {
	return yardOn(t, listeningBoard(t, "", wall, "127.0.0.1:0"))
}

func yardOn(t *testing.T, b *board) *yard {
	sc, err := sim.Parse(t.Context(), "two-heads.yaml", []byte(twoHeads))
	if err != nil {
		t.Fatal(err)
	}
	y := &yard{board: b, sim: sim.New(sc, 1, t0)}
	told := y.d.model.watch.OnChange
	y.d.model.watch.OnChange = func(c alert.Change) {
		y.changes = append(y.changes, c)
		told(c)
	}
	return y
}

// work lets seconds pass.
func (y *yard) work(seconds int) {
	events := make([]event.Event, batchEvents)
	for range seconds {
		y.second(func(now event.Time) []event.Event {
			n, err := y.sim.ReadUntil(t0.Add(y.elapsed), events)
			if err != nil || n == len(events) {
				y.t.Fatalf("%d events: %v", n, err)
			}
			for i := range events[:n] {
				events[i].Time = now
			}
			return events[:n]
		})
		y.d.model.jobs.observe(y.t.Context())
	}
}

// act does what a person asks of the job.
func (y *yard) act(do func() error) {
	y.t.Helper()
	go func() { (<-y.d.model.jobs.acts)() }()
	if err := do(); err != nil {
		y.t.Fatal(err)
	}
}

func (y *yard) step(do string) {
	y.t.Helper()
	y.act(func() error { return y.d.Desk().ActOnJob(y.t.Context(), api.JobAct{By: "Jo", Do: do}) })
}

// follow opens a job and plans it.
func (y *yard) follow() {
	y.t.Helper()
	y.act(func() error {
		return y.d.Desk().OpenJob(y.t.Context(), api.NewJob{By: "Jo", Number: "7", Customer: "A. Customer"})
	})
	y.step("plan")
	if steps := y.d.Desk().Job().Work.Order.Steps(); len(steps) != 1 || steps[0].From != "4.47" {
		y.t.Fatalf("%d steps", len(steps))
	}
}

// TestWorkWhileClockIsSet: a clock that is set twice while a device is away does not change how its update is
// checked, and the supply goes on being watched.
func TestWorkWhileClockIsSet(t *testing.T) {
	right := t0.UTC()
	for name, c := range map[string]struct{ start, then, at time.Time }{
		"from 1970":       {time.Unix(60, 0), right, right.Add(time.Minute)},
		"back":            {right.Add(3 * time.Hour), right.Add(2 * time.Hour), right},
		"on":              {right.Add(-3 * time.Hour), right.Add(-2 * time.Hour), right},
		"on and back":     {right, right.Add(9 * time.Hour), right},
		"back to no date": {right, time.Unix(60, 0), right},
	} {
		t.Run(name, func(t *testing.T) {
			y := newYard(t, c.start)
			y.work(45)
			y.follow()
			y.work(35)
			y.set(c.then)
			y.work(60)
			y.set(c.at)
			y.work(60)
			if s := y.d.Desk().Job().Work.Status[0]; s.State != release.StepLeft || len(y.d.Desk().Job().Work.Status) != 1 {
				t.Errorf("ten seconds before it comes back: %+v", s)
			}
			y.work(100)
			s := y.d.Desk().Job().Work.Status[0]
			if away := s.BackAt.Sub(s.LeftAt); s.State != release.StepVerified || s.Attempt != 1 || away < 149*time.Second || away > 153*time.Second {
				t.Errorf("away for %v: %+v", away, s)
			}
			if now := event.At(y.d.model.time.now()); s.VerifiedAt > now || now.Sub(s.LeftAt).Round(10*time.Second) != 240*time.Second {
				t.Errorf("at %v: %+v", now, s)
			}
			if v := y.d.model.view.Load().conditions.SupplyVolts; v == nil || *v < 12 || *v > 15 {
				t.Errorf("supply %v", v)
			}
		})
	}
}

// TestWorkSilences: from the first step on, alerts that work brings on the devices of an order are not sent, and
// nothing else is held back; the end of the order ends that, and sends the open ones.
func TestWorkSilences(t *testing.T) {
	y := newYard(t, t0.UTC())
	y.work(45)
	y.follow()
	head := y.d.Desk().Job().Work.Status[0].Device
	if s := y.d.Desk().Silences(); len(s) != 0 {
		t.Errorf("before the first step: %+v", s)
	}
	y.work(100)
	if s := y.d.Desk().Silences(); len(s) != 1 || !s[0].Work || s[0].Device != head {
		t.Errorf("while it is away: %+v", s)
	}
	y.work(115)
	told := func(kind alert.ChangeKind, silenced bool) (checks []string) {
		for _, c := range y.changes {
			if c.Kind == kind && c.Silenced == silenced && slices.Contains(c.Alert.Devices, head) {
				checks = append(checks, c.Alert.Check)
			}
		}
		return checks
	}
	if got := told(alert.Raised, true); !slices.Contains(got, "silent") || !slices.Contains(got, "restarted") {
		t.Errorf("silenced: %q", got)
	}
	if got := told(alert.Raised, false); slices.Contains(got, "silent") || slices.Contains(got, "restarted") {
		t.Errorf("told: %q", got)
	}
	y.step("after")
	y.work(1)
	if s := y.d.Desk().Silences(); len(s) != 0 {
		t.Errorf("after the end: %+v", s)
	}
	y.work(15)
	if got := told(alert.Unsilenced, false); !slices.Contains(got, "restarted") || slices.Contains(got, "silent") {
		t.Errorf("after the end is told: %q", got)
	}
}

// TestJobOutlastsRestart: a job goes on after the program was killed in the middle of an update, with what people and the network put
// in; closed, its steps are in a service record that is made later.
func TestJobOutlastsRestart(t *testing.T) {
	dir, wall := t.TempDir(), t0.UTC()
	var held *sim.Sim
	start := func() (*yard, func()) {
		y := yardOn(t, listeningBoard(t, dir, wall, "127.0.0.1:0"))
		if held != nil {
			y.sim, y.elapsed = held, time.Duration(held.Now()-t0)
		}
		served := make(chan error, 1)
		go func() { served <- y.d.web.Serve() }()
		return y, func() {
			if err := errors.Join(y.d.Stop(), <-served); err != nil {
				t.Error(err)
			}
			http.DefaultClient.CloseIdleConnections()
			wall, held = y.wall, y.sim
		}
	}
	y, stop := start()
	y.work(45)
	y.follow()
	y.act(func() error {
		return y.d.Desk().AddToJob(t.Context(), api.JobEntry{By: "Ana", Kind: job.HoldPoint, Point: "shore-power", Reading: "13.2 V"})
	})
	y.work(60)
	if j := y.d.Desk().Job(); j.Stage != api.StageWork || j.Work.Status[0].State != release.StepLeft {
		t.Fatalf("while it is away: %s, %+v", j.Stage, j.Work.Status)
	}
	before := y.d.Desk().Job()
	stop()

	y, stop = start()
	ticked := func(p api.TickedPoint) bool { return p.ID == "shore-power" && p.By == "Ana" && p.Reading == "13.2 V" }
	if j := y.d.Desk().Job(); j.SHA256 != before.SHA256 || j.Stage != api.StageWork || !slices.ContainsFunc(j.Points, ticked) {
		t.Errorf("after the restart: %s, %+v", j.Stage, j.Points)
	}
	y.work(150)
	step := y.d.Desk().Job().Work.Status[0]
	if step.State != release.StepVerified || step.Attempt != 1 || step.LeftAt != before.Work.Status[0].LeftAt {
		t.Fatalf("%+v", step)
	}
	y.step("after")
	y.step("close")
	stop()

	y, stop = start()
	defer stop()
	y.work(5)
	j := y.d.Desk().Job()
	p, err := job.Check(t.Context(), filepath.Join(dir, "jobs", j.Folder))
	if err != nil || len(p.Problems) > 0 || !p.Closed || j.Stage != api.StageClosed {
		t.Errorf("%s: %+v, %v", j.Stage, p, err)
	}
	key, err := boatKey(t.Context(), dir)
	if err != nil || len(p.Keys) != 1 || p.Keys[0] != key[0].Name() || p.Keys[0].Whose != snapshot.ForBoard || !slices.Equal(j.Keys, p.Keys) || p.Unsigned {
		t.Errorf("closed with %v, shown %v; the boat computer has %v, %v", p.Keys, j.Keys, key, err)
	}
	if fi, err := os.Stat(filepath.Join(dir, keyFile)); err != nil || fi.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", fi, err)
	}
	kept := y.d.web.Snapshots()
	resp, err := http.Get(y.d.URL() + "/snapshots/record?before=" + kept[len(kept)-1].ID + "&after=" + kept[0].ID + "&order=yes&number=7")
	if err != nil {
		t.Fatal(err)
	}
	page, err := io.ReadAll(resp.Body)
	resp.Body.Close()
	if err != nil {
		t.Fatal(err)
	}
	minute := func(at event.Time) string { return at.UTC().Format("2006-01-02 15:04") }
	for _, want := range []string{step.Step + " " + step.Label + ", 4.47 → 4.52: ", "confirmed on the network", minute(step.LeftAt), minute(step.VerifiedAt)} {
		if !strings.Contains(string(page), want) {
			t.Errorf("the record lacks %q:\n%s", want, page)
		}
	}
}

// TestEarlierOrder: a work order that an earlier version kept in the store is in a folder afterwards, as muster follow reads it.
func TestEarlierOrder(t *testing.T) {
	dir := t.TempDir()
	b := newBoard(t, dir, t0.UTC())
	b.d.keeper.store.Put(store.Work, "order", []byte(`{"kept":"order"}`))
	b.d.keeper.store.Put(store.Work, "ended/state", []byte(`{"kept":"state"}`))
	if err := b.d.Stop(); err != nil {
		t.Fatal(err)
	}
	b = newBoard(t, dir, t0.UTC())
	for name, want := range map[string]string{"order.json": `{"kept":"order"}`, "ended-state.json": `{"kept":"state"}`} {
		if text, err := os.ReadFile(filepath.Join(dir, "jobs", "earlier", name)); err != nil || string(text) != want {
			t.Errorf("%s: %s, %v", name, text, err)
		}
	}
	if left := b.d.keeper.store.All(store.Work); len(left) > 0 {
		t.Errorf("%d are in the store too", len(left))
	}
}

// TestDamagedKey: a key that cannot be read is never replaced.
func TestDamagedKey(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, keyFile)
	if err := os.WriteFile(name, []byte("torn"), 0o600); err != nil {
		t.Fatal(err)
	}
	key, err := boatKey(t.Context(), dir)
	if text, rerr := os.ReadFile(name); err == nil || key != nil || rerr != nil || string(text) != "torn" {
		t.Errorf("%v, %v; %q, %v", key, err, text, rerr)
	}
}
