package web_test

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/rs/zerolog"

	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/sim"
	"muster/internal/tap"
)

var (
	screenshots = flag.String("screenshots", "", "folder into which TestScreenshots puts pictures of every page")
	scenario    = flag.String("scenario", "demo", "simulated boat of TestScreenshots")
	high        = flag.Int64("high", 900, "how much of a page TestScreenshots takes, in pixels from the top")
)

// need skips by name what is not installed, or fails when nothing may be skipped.
func need(t *testing.T, what string, err error) {
	t.Helper()
	if err == nil {
		return
	}
	if os.Getenv("MUSTER_TEST_ALL") == "1" {
		t.Fatalf("%s: %v", what, err)
	}
	t.Skipf("%s is not installed: %v", what, err)
}

// demo runs a daemon on a built-in scenario, so many times as fast as the clock.
func demo(t testing.TB, scenario string, speed float64, change func(*daemon.Options)) *daemon.Daemon {
	t.Helper()
	sc, err := sim.Load(scenario)
	if err != nil {
		t.Fatal(err)
	}
	// The tests outlast the story at this pace: the heads go on to differ.
	sc.Timeline = slices.DeleteFunc(sc.Timeline, func(a sim.Action) bool { return a.Do == "update" || a.Do == "restore" })
	began := time.Now()
	c := config.Default()
	c.Listen, c.Boat.Name, c.Boat.ID = "127.0.0.1:0", sc.Boat.Name, "demo"
	c.Sources = []config.Source{{Source: "sim:" + scenario, Ask: true}}
	c.Makers = map[uint16]string{2001: "Larkfin Marine", 2002: "Gannet Instruments", 2003: "Petrel Power"}
	opt := daemon.Options{Config: c, Log: zerolog.Nop(), Version: "v0.0.0-test", ReportEvery: 500 * time.Millisecond,
		Now: func() time.Time { return began.Add(time.Duration(float64(time.Since(began)) * speed)) },
		Open: func(string, bool) (tap.Source, error) {
			return sim.NewPlayer(sim.New(sc, sc.Seed, event.At(began)), speed), nil
		}}
	if change != nil {
		change(&opt)
	}
	d, err := daemon.New(opt)
	if err != nil {
		t.Fatal(err)
	}
	d.SetLoader(func() (config.Config, error) { return opt.Config, nil })
	done := make(chan error, 1)
	go func() { done <- d.Run(context.Background()) }()
	t.Cleanup(func() {
		if err := d.Stop(); err != nil {
			t.Error(err)
		}
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return d
}

// until waits for something that comes true in its own time.
func until(t testing.TB, what string, true func() bool) {
	t.Helper()
	for range 1200 {
		if true() {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("it never came true that %s", what)
}

func openAlert(d *daemon.Daemon, check string) bool {
	for _, a := range d.Report().Alerts {
		if a.Check == check {
			return true
		}
	}
	return false
}

// browser opens a tab of Debian's Chromium.
func browser(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	need(t, "chromium", err)
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-dev-shm-usage", true),
		chromedp.WSURLReadTimeout(2*time.Minute))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("start chromium: %v", err)
	}
	ctx, cancel = context.WithTimeout(ctx, 4*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// show opens a page in a window of a width, in the light or the dark scheme.
func show(t *testing.T, ctx context.Context, to string, width int64, dark bool) {
	t.Helper()
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	media := chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	})
	// The driver now and then misses that a busy live page has loaded; what is asserted of the page comes after.
	var err error
	for range 3 {
		try, cancel := context.WithTimeout(ctx, 30*time.Second)
		err = chromedp.Do(try, chromedp.EmulateViewport(width, *high), media, chromedp.Navigate(to))
		cancel()
		if !errors.Is(err, context.DeadlineExceeded) {
			break
		}
	}
	must(t, err)
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// script evaluates an expression on the page; a promise is waited for.
func script[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	must(t, err)
	return v
}

// poll waits until an expression is true on the page.
func poll(t *testing.T, ctx context.Context, expression string) {
	t.Helper()
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool](expression, chromedp.WithPollingTimeout(time.Minute))); err != nil {
		t.Fatalf("waiting for %s: %v", expression, err)
	}
}

func order(t *testing.T, d *daemon.Daemon) *release.Order {
	t.Helper()
	sheets, err := release.LoadFS(os.DirFS("../../deploy/sheets"), "sheets")
	if err != nil {
		t.Fatal(err)
	}
	o, _ := release.Plan(d.Report(), "sha256:"+strings.Repeat("0", 64), "", sheets, release.Options{})
	return o
}

// paths are the pages of a boat that has something to show on each.
func paths(t *testing.T, d *daemon.Daemon) map[string]string {
	t.Helper()
	until(t, "the heads differ", func() bool { return openAlert(d, "software-differs") && openAlert(d, "instance-clash") })
	id := ""
	for _, dev := range d.Report().Devices {
		if dev.Product != nil && dev.Product.Model == "Gannet GP1 receiver" {
			id = dev.ID
		}
	}
	talker := ""
	for _, k := range d.Report().Talkers {
		if k.Talker == "GP" {
			talker = k.ID()
		}
	}
	if err := d.Follow(t.Context(), order(t, d)); err != nil {
		t.Fatal(err)
	}
	post(t, d.URL()+"/work/manual", url.Values{"model": {"Gannet VR2 radio"}, "role": {"radio"}, "maker": {"Gannet Instruments"}, "place": {"chart table"}})
	post(t, d.URL()+"/proof/take", nil)
	before := d.Report().TakenAt
	until(t, "time goes on", func() bool { return d.Report().TakenAt.Sub(before) > 5*time.Second })
	post(t, d.URL()+"/proof/take", nil)
	return map[string]string{"boat": "/", "device": "/devices/" + id, "talker": "/devices/" + url.PathEscape(talker), "network": "/network", "work": "/work", "proof": "/proof", "traffic": "/traffic", "login": "/login"}
}

func post(t *testing.T, to string, form url.Values) {
	t.Helper()
	resp, err := http.PostForm(to, form)
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		t.Fatalf("POST %s: %s", to, resp.Status)
	}
}

// TestScreenshots makes the pictures of the README: go test ./internal/web -run TestScreenshots -screenshots DIR.
func TestScreenshots(t *testing.T) {
	if *screenshots == "" {
		t.Skip("no folder was given: -screenshots DIR")
	}
	d := demo(t, *scenario, 20, nil)
	pages := paths(t, d)
	ctx := browser(t)
	for _, name := range slices.Sorted(maps.Keys(pages)) {
		path := pages[name]
		for _, width := range []int64{360, 1100} {
			for _, dark := range []bool{false, true} {
				show(t, ctx, d.URL()+path, width, dark)
				must(t, chromedp.Do(ctx, chromedp.Sleep(time.Second))) // fonts and the first event need a moment
				picture, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
				must(t, err)
				picture, err = small(picture, int(*high))
				must(t, err)
				file := filepath.Join(*screenshots, fmt.Sprintf("%s-%d%s.png", name, width, map[bool]string{true: "-dark"}[dark]))
				if err := os.WriteFile(file, picture, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

// axe finds the accessibility engine: MUSTER_AXE, or npm's own folders.
func axe(t *testing.T) string {
	t.Helper()
	file := os.Getenv("MUSTER_AXE")
	if file == "" {
		root, err := exec.Command("npm", "root", "-g").Output()
		need(t, "npm", err)
		file = filepath.Join(strings.TrimSpace(string(root)), "axe-core", "axe.min.js")
	}
	text, err := os.ReadFile(file)
	need(t, "axe-core (npm install -g axe-core, or MUSTER_AXE=…/axe.min.js)", err)
	return string(text)
}

const axeRun = `axe.run(document, {resultTypes: ["violations"]}).then(r => r.violations.filter(v => v.impact === "serious" || v.impact === "critical")
	.map(v => v.id + ": " + v.help + " at " + v.nodes.slice(0, 3).map(n => n.target + " " + n.failureSummary).join("; ")))`

// TestBrowser walks the pages as a technician does.
func TestBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	engine := axe(t)
	d := demo(t, "demo", 20, nil)
	pages := paths(t, d)
	ctx := browser(t)

	for _, name := range slices.Sorted(maps.Keys(pages)) {
		path := pages[name]
		t.Run(name, func(t *testing.T) {
			for _, width := range []int64{360, 1100} {
				show(t, ctx, d.URL()+path, width, width == 1100)
				if wide := script[int64](t, ctx, "document.documentElement.scrollWidth"); wide > width {
					t.Errorf("%d px wide, the window has %d", wide, width)
				}
				script[int](t, ctx, engine+"; 0")
				for _, f := range script[[]string](t, ctx, axeRun) {
					t.Errorf("at %d px: %s", width, f)
				}
			}
			pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF())
			if err != nil || !bytes.HasPrefix(pdf, []byte("%PDF-")) || len(pdf) < 2000 {
				t.Errorf("print: %v, %d bytes", err, len(pdf))
			}
		})
	}
	const timeText = "document.querySelector('time').textContent"
	t.Run("lives without a reload and keeps what is typed", func(t *testing.T) {
		show(t, ctx, d.URL()+"/", 1100, false)
		script[bool](t, ctx, "window.kept = true")
		const form = "[id^='ack-software-differs']" // by its alert: others may come and stand before it
		must(t, chromedp.Do(ctx, chromedp.Click(form+" summary"), chromedp.SendKeys(form+" input[name=by]", "Jo")))
		for range 2 {
			poll(t, ctx, fmt.Sprintf("%s !== %q", timeText, script[string](t, ctx, timeText)))
		}
		if !script[bool](t, ctx, "window.kept === true") {
			t.Error("the page was loaded anew")
		}
		if typed := script[string](t, ctx, fmt.Sprintf("document.querySelector(%q).value", form+" input[name=by]")); typed != "Jo" {
			t.Errorf("typed text became %q", typed)
		}
	})
	t.Run("acknowledges", func(t *testing.T) {
		show(t, ctx, d.URL()+"/", 360, false)
		const form = "[id^='ack-software-differs']"
		must(t, chromedp.Do(ctx, chromedp.Click(form+" summary"), chromedp.SendKeys(form+" input[name=by]", "Robin"), chromedp.Click(form+" button"), chromedp.WaitVisible(".said")))
		poll(t, ctx, "document.querySelector('[id^=\"alert-software-differs\"]').textContent.includes('acknowledged by Robin')")
	})
	t.Run("takes and compares snapshots", func(t *testing.T) {
		show(t, ctx, d.URL()+"/proof", 1100, false)
		must(t, chromedp.Do(ctx, chromedp.Click("button.main"), chromedp.WaitVisible(".said"), chromedp.Click("tbody tr:last-child input[name=before]"),
			chromedp.Click("tbody tr:first-child input[name=after]"), chromedp.Click("form[method=get] button"), chromedp.WaitVisible("#result")))
		if words := script[string](t, ctx, "document.querySelector('#result').textContent"); !strings.Contains(words, "devices unchanged") {
			t.Errorf("comparison says %q", words)
		}
	})
	t.Run("pauses traffic", func(t *testing.T) {
		show(t, ctx, d.URL()+"/traffic", 1100, false)
		poll(t, ctx, "document.querySelector('#rate').textContent.startsWith('Showing')")
		must(t, chromedp.Do(ctx, chromedp.Click("#pause")))
		script[int](t, ctx, "new MutationObserver(() => window.changed = 1).observe(document.getElementById('traffic'), {childList: true}), 0")
		must(t, chromedp.Do(ctx, chromedp.Sleep(2*time.Second)))
		if script[int](t, ctx, "window.changed || 0") != 0 {
			t.Error("the list changed while it was paused")
		}
	})
}

// TestTidy holds every page to a packaged HTML checker.
func TestTidy(t *testing.T) {
	tidy, err := exec.LookPath("tidy")
	need(t, "tidy", err)
	d := demo(t, "demo", 20, nil)
	pages := paths(t, d)
	pages["login"], pages["missing"] = "/login", "/devices/nothing"
	for name, path := range pages {
		t.Run(name, func(t *testing.T) {
			resp, err := http.Get(d.URL() + path)
			if err != nil {
				t.Fatal(err)
			}
			defer resp.Body.Close()
			cmd := exec.Command(tidy, "-quiet", "-errors", "-utf8", "--drop-empty-elements", "no")
			cmd.Stdin = resp.Body
			var out bytes.Buffer
			cmd.Stderr = &out
			err = cmd.Run()
			for line := range strings.Lines(out.String()) {
				if !strings.Contains(line, `proprietary attribute "aria-current"`) { // ARIA 1.1 is newer than the checker
					t.Error(strings.TrimSpace(line))
				}
			}
			if _, exit := errors.AsType[*exec.ExitError](err); err != nil && !exit {
				t.Error(err)
			}
		})
	}
}
