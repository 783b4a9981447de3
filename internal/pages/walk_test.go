package pages_test

import (
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"muster/internal/api"
	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/daemon/daemontest"
	"muster/internal/event"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/sim"
	"muster/internal/tap"
	"muster/internal/ui/webtest"
)

// quay is a boat at the quay with two displays of one family. The older one is updated twice: first it comes back as it was.
const quay = `
title: Two displays at the quay
boat: {name: Sandpiper, latitude: 50.05, longitude: -4.9, moored: true}
devices:
  - {id: helm, manufacturer: 2001, class: 120, function: 130, unique: 7, address: 2, model: Larkfin LF9 display, serial: LF9-7, software: "4.52", asks: true,
     sends: [{pgn: 129283}]}
  - {id: fly, manufacturer: 2001, class: 120, function: 130, unique: 33, address: 3, model: Larkfin LF9 display, serial: LF9-33, software: "4.47", asks: true,
     sends: [{pgn: 129284}]}
  - {id: battery, manufacturer: 2003, class: 35, function: 170, unique: 8, address: 20, model: Sanderling Tavrik 7 monitor, software: "3.20", sends: [{pgn: 127508}]}
timeline:
  - {at: 300s, do: update, device: fly, for: 90s, software: "4.47"}
  - {at: 700s, do: update, device: fly, for: 90s, software: "4.52"}
`

// stage is a simulated boat whose time passes only as far as the test lets it, thirty times as fast as the clock. It outlasts the programs that
// listen to it.
type stage struct {
	mu    sync.Mutex
	sim   *sim.Sim
	began time.Time
	at    time.Duration // since began
	until time.Duration
	wall  time.Time
}

func newStage(t *testing.T) *stage {
	sc, err := sim.Parse(t.Context(), "quay.yaml", []byte(quay))
	webtest.Must(t, err)
	began := time.Now()
	return &stage{sim: sim.New(sc, 1, event.At(began)), began: began, wall: began}
}

func (s *stage) now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	wall := time.Now()
	s.at = min(s.at+30*wall.Sub(s.wall), s.until)
	s.wall = wall
	return s.began.Add(s.at)
}

// pass lets the boat's time pass up to a moment.
func (s *stage) pass(t *testing.T, until time.Duration) {
	t.Helper()
	s.now()
	s.mu.Lock()
	s.until = until
	s.mu.Unlock()
	daemontest.Until(t, "time passed", func() bool { return s.now().Sub(s.began) == until })
}

// listener is a program's way to the boat.
type listener struct {
	*stage
	closed atomic.Bool
}

// Read implements tap.Source.
func (s *listener) Read(events []event.Event) (int, error) {
	if s.closed.Load() {
		return 0, os.ErrClosed
	}
	now := s.now()
	s.mu.Lock()
	n, err := s.sim.ReadUntil(event.At(now), events)
	s.mu.Unlock()
	if n == 0 && err == nil {
		time.Sleep(5 * time.Millisecond)
	}
	return n, err
}

// Close implements tap.Source.
func (s *listener) Close() error {
	s.closed.Store(true)
	return nil
}

// board is a program that listens to the boat.
func (s *stage) board(t *testing.T, dir string) *daemon.Daemon {
	return daemontest.Demo(t, "demo", 1, func(o *daemon.Options) {
		o.Config.StateDir, o.Config.Boat.Name, o.Layouts, o.ReportEvery = dir, "Sandpiper", nil, 100*time.Millisecond
		o.Config.Sources = []config.Source{{Source: "sim:quay"}}
		o.Now = s.now
		o.Open = func(string, bool) (tap.Source, error) { return &listener{stage: s}, nil }
	})
}

// phone walks a job in a browser's tab.
type phone struct{ webtest.Hand }

// shoots takes a picture of nine megapixels with the camera of a form.
func (p *phone) shoots(form string) {
	p.T.Helper()
	size := webtest.Script[int](p.T, p.Ctx, fmt.Sprintf(`(async () => {
		const canvas = document.createElement("canvas"), field = document.querySelector(%q).elements.picture, list = new DataTransfer();
		canvas.width = 3600; canvas.height = 2500; canvas.getContext("2d").fillRect(9, 9, 1800, 900);
		const blob = await new Promise((done) => canvas.toBlob(done, "image/png"));
		list.items.add(new File([blob], "shot.png", {type: "image/png"}));
		field.files = list.files;
		field.dispatchEvent(new Event("change", {bubbles: true}));
		while (field.files[0].type !== "image/jpeg") await new Promise((done) => setTimeout(done, 50));
		return (await createImageBitmap(field.files[0])).width;
	})()`, form))
	if size != 1600 {
		p.T.Errorf("the picture is sent %d pixels wide", size)
	}
}

// pictured keeps how a page looks, when a folder was given.
func (p *phone) pictured(name string) {
	p.T.Helper()
	if *screenshots == "" {
		return
	}
	for _, width := range []int64{webtest.Phone, 1280} {
		for _, dark := range []bool{false, true} {
			to := webtest.Script[string](p.T, p.Ctx, "location.href")
			webtest.Show(p.T, p.Ctx, to, width, dark)
			picture, err := chromedp.Run(p.Ctx, chromedp.CaptureScreenshot())
			webtest.Must(p.T, err)
			webtest.Must(p.T, os.WriteFile(filepath.Join(*screenshots, fmt.Sprintf("job-%s-%d%s.png", name, width, map[bool]string{true: "-dark"}[dark])), picture, 0o644))
		}
	}
	webtest.Show(p.T, p.Ctx, webtest.Script[string](p.T, p.Ctx, "location.href"), webtest.Phone, false)
}

// TestWalk walks a whole job on a phone: a second phone, an update that fails and a second attempt, a hand reading that disagrees with the
// network, a power cut while the display is away, pictures and a signature.
func TestWalk(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	boat, dir := newStage(t), t.TempDir()
	d := boat.board(t, dir)
	boat.pass(t, 45*time.Second)
	daemontest.Until(t, "the displays are identified", func() bool {
		return strings.Count(string(webtest.Fetch(t, d.URL()+"/api/v1/devices")), `"4.`) >= 2
	})
	p := &phone{webtest.Hand{T: t, Ctx: webtest.Browser(t)}}
	webtest.Show(t, p.Ctx, d.URL()+"/work", webtest.Phone, false)
	p.pictured("new")
	p.Tap("#new-job", "by", "Ana", "number", "2026-231", "customer", "A. Customer", "place", "Quay 4")
	p.pictured("plan")
	p.Tap("#act-plan")
	p.pictured("go")
	prepare(p, d)
	p.pictured("ready")

	boat.pass(t, 330*time.Second)
	daemontest.Until(t, "the display is away", func() bool { return status(d).State == release.StepLeft })
	webtest.Must(t, os.CopyFS(filepath.Join(dir, "..", "after-the-cut"), os.DirFS(dir))) // what is on the disk then
	webtest.Must(t, os.Chmod(filepath.Join(dir, "..", "after-the-cut", "boat.key"), 0o600))
	webtest.Must(t, d.Stop())
	d = boat.board(t, filepath.Join(dir, "..", "after-the-cut"))
	webtest.Show(t, p.Ctx, d.URL()+"/work", webtest.Phone, false)
	p.Says("2026-231")
	boat.pass(t, 600*time.Second)
	p.Says("failed")
	p.Tap("#entry-read-1\\.1", "version", "4.52")
	p.Says("disputed")
	p.pictured("disputed")
	boat.pass(t, 730*time.Second)
	p.Says("attempt 1 failed")
	boat.pass(t, 1000*time.Second)
	p.Says("1 of 1 step done")
	if s := status(d); s.State != release.StepVerified || s.ReadByHand() || s.Attempt != 2 || len(s.Attempts) != 1 {
		t.Errorf("%+v", s)
	}
	p.pictured("after")
	finish(p)
	p.pictured("closed")
	checkWalked(t, d, filepath.Join(dir, "..", "after-the-cut"))
	t.Logf("%d taps", p.Taps)
	if p.Taps > 12 {
		t.Errorf("%d taps", p.Taps)
	}
}

// prepare ticks every hold point, one of them on another phone.
func prepare(p *phone, d *daemon.Daemon) {
	p.T.Helper()
	for i, point := range d.Desk().Job().Points {
		more := "#entry-point-" + point.ID + "-more"
		switch {
		case i == 0:
			resp, err := http.PostForm(d.URL()+"/work/entry", url.Values{"by": {"Ben"}, "kind": {"hold-point"}, "point": {point.ID}})
			webtest.Must(p.T, err)
			resp.Body.Close()
			p.Says("ticked by Ben")
		case i == 1 || point.Needs == release.NeedsPhoto:
			p.shoots(more)
			p.Tap(more, "reading", "13.1 V")
		case point.Needs == release.NeedsReading:
			p.Tap(more, "reading", "13.1 V")
		default:
			p.Tap("#entry-point-" + point.ID)
		}
	}
	if j := d.Desk().Job(); len(j.Next.Blockers) > 0 {
		p.T.Errorf("all is ticked, and still: %q", j.Next.Blockers)
	}
}

func status(d *daemon.Daemon) release.StepStatus { return d.Desk().Job().Work.Status[0] }

// finish takes the snapshot after the work, adds hours, lets the customer sign, and closes.
func finish(p *phone) {
	p.T.Helper()
	p.Tap("#act-after")
	p.Tap("#entry-hours", "hours", "1.5")
	p.pictured("record")
	webtest.Script[int](p.T, p.Ctx, `(() => {
		const pad = document.querySelector(".signing canvas"), r = pad.getBoundingClientRect();
		const at = (kind, x, y) => pad.dispatchEvent(new PointerEvent(kind, {pointerId: 1, clientX: r.left + x, clientY: r.top + y}));
		at("pointerdown", 10, 50);
		for (let x = 20; x < 200; x += 10) at("pointermove", x, 50 + 30 * Math.sin(x / 20));
		at("pointerup", 200, 50);
		return 0;
	})()`)
	p.Tap("#entry-sign", "customer", "A. Customer")
	p.Tap("#act-close")
	p.Says("The job is closed")
}

// checkWalked: everything that was entered and seen is in the folder, and nothing was altered.
func checkWalked(t *testing.T, d *daemon.Daemon, dir string) {
	t.Helper()
	j := d.Desk().Job()
	folder := filepath.Join(dir, "jobs", j.Folder)
	proof, err := job.Check(t.Context(), folder)
	if err != nil || len(proof.Problems) > 0 || !proof.Closed {
		t.Errorf("%+v, %v", proof, err)
	}
	text, err := os.ReadFile(filepath.Join(folder, "ledger.jsonl"))
	webtest.Must(t, err)
	for _, want := range []string{`"by":"Ben"`, `"reading":"13.1 V"`, `"kind":"failed"`, `"kind":"read-by-hand"`, `"kind":"confirmed"`, `"on":"boat"`, `"strokes":[[[`, `"minutes":90`} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the ledger lacks %s", want)
		}
	}
	if j.Stage != api.StageClosed {
		t.Errorf("the job is at %s", j.Stage)
	}
	if page := string(webtest.Fetch(t, d.URL()+"/work/file?name=record.html")); !strings.Contains(page, `aria-label="Signature of A. Customer"`) ||
		!strings.Contains(page, "signed with the key of the boat computer") {
		t.Error("the record lacks the signature that was drawn, or the key that closed the job")
	}
	if pdf := webtest.Fetch(t, d.URL()+"/work/file?name=record.pdf"); !strings.HasPrefix(string(pdf), "%PDF") {
		t.Errorf("the record: %.40q", pdf)
	}
	if zip := webtest.Fetch(t, d.URL()+"/work/pack"); !strings.HasPrefix(string(zip), "PK") {
		t.Errorf("the job in one file: %.40q", zip)
	}
}
