package pages_test

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"muster/internal/daemon"
	"muster/internal/daemon/daemontest"
	"muster/internal/ui/webtest"
)

var (
	screenshots = flag.String("screenshots", "", "folder into which TestScreenshots puts pictures of every page")
	scenario    = flag.String("scenario", "demo", "simulated boat of TestScreenshots")
	high        = flag.Int64("high", webtest.High, "how much of a page TestScreenshots takes, in pixels from the top")
)

// paths are the pages of a boat that has something to show on each.
func paths(t *testing.T, d *daemon.Daemon) map[string]string {
	t.Helper()
	daemontest.Until(t, "the displays differ", func() bool {
		return daemontest.OpenAlert(d, "software-differs") && daemontest.OpenAlert(d, "instance-clash")
	})
	id := ""
	for _, dev := range d.Report().Devices {
		if dev.Product != nil && dev.Product.Model == "Gannet GP1 receiver" {
			id = dev.ID
		}
	}
	talker, line := "", ""
	for _, k := range d.Report().Talkers {
		if k.Talker == "GP" {
			talker, line = k.ID(), k.Network
		}
	}
	daemontest.OpenJob(t, d)
	post(t, d.URL()+"/work/manual", url.Values{"model": {"Gannet VR2 radio"}, "role": {"radio"}, "manufacturer": {"Gannet Instruments"}, "place": {"chart table"}})
	post(t, d.URL()+"/silences", url.Values{"check": {"multiple-sources"}, "for": {"168h"}, "why": {"two receivers on purpose"}, "by": {"Jo"}})
	post(t, d.URL()+"/snapshots/take", nil)
	before := d.Report().TakenAt
	daemontest.Until(t, "time goes on", func() bool { return d.Report().TakenAt.Sub(before) > 5*time.Second })
	post(t, d.URL()+"/snapshots/take", nil)
	var kept []struct{ ID string }
	webtest.Must(t, json.Unmarshal(webtest.Fetch(t, d.URL()+"/api/v1/snapshots"), &kept))
	return map[string]string{"boat": "/", "device": "/devices/" + id, "talker": "/devices/" + url.PathEscape(talker), "editor": "/backbone/edit", "fault": "/fault/n2k?place=helm&reading=tee+4:+11.2+V", "network": "/network", "work": "/work", "snapshots": "/snapshots",
		"comparison": "/snapshots?before=" + kept[len(kept)-1].ID + "&after=" + kept[0].ID, "missing": "/devices/nothing", "silences": "/silences", "traffic": "/traffic", "sentences": "/traffic?network=" + url.QueryEscape(line), "login": "/login", "reference": "/api/"}
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

// TestScreenshots makes the pictures of the README: go test ./internal/pages -run TestScreenshots -screenshots DIR.
func TestScreenshots(t *testing.T) {
	if *screenshots == "" {
		t.Skip("no folder was given: -screenshots DIR")
	}
	d := daemontest.Demo(t, *scenario, 20, nil)
	webtest.Pictures(t, webtest.Browser(t), d.URL(), paths(t, d), *screenshots, *high)
}

// TestBrowser walks the pages as a technician does.
func TestBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	engine := webtest.Axe(t)
	d := daemontest.Demo(t, "demo", 20, nil)
	pages := paths(t, d)
	ctx := webtest.Browser(t)

	for _, name := range slices.Sorted(maps.Keys(pages)) {
		t.Run(name, func(t *testing.T) { webtest.Hold(t, ctx, engine, d.URL()+pages[name]) })
	}
	testConsole(t, ctx, d)
	t.Run("takes and compares snapshots", func(t *testing.T) {
		webtest.Show(t, ctx, d.URL()+"/snapshots", 1100, false)
		webtest.Must(t, chromedp.Do(ctx, chromedp.Click("button.main"), chromedp.WaitVisible(".said"), chromedp.Click("tbody tr:last-child input[name=before]"),
			chromedp.Click("tbody tr:first-child input[name=after]"), chromedp.Click("form[method=get] button"), chromedp.WaitVisible("#result")))
		if words := webtest.Script[string](t, ctx, "document.querySelector('#result').textContent"); !strings.Contains(words, "devices unchanged") {
			t.Errorf("comparison says %q", words)
		}
	})
	t.Run("draws a backbone", func(t *testing.T) {
		ctx, cancel := context.WithTimeout(ctx, 10*time.Minute)
		defer cancel()
		webtest.Show(t, ctx, d.URL()+"/network", 1100, false)
		webtest.Must(t, chromedp.Do(ctx, chromedp.Click("a[href^='/backbone/edit']"), chromedp.WaitVisible("#drop-0")))
		if first := webtest.Script[string](t, ctx, "document.querySelector('[name=\"p0.name\"]').value"); first != "fore cabin" {
			t.Errorf("the editor begins at %q, not with the layout in force", first)
		}
		webtest.Must(t, chromedp.Do(ctx, chromedp.Click("#point-1 button[value='remove-point 1']"), chromedp.WaitVisible("[name='p1.name'][value='helm']")))
		if at := webtest.Script[string](t, ctx, "document.querySelector('#drop-1 [name=\"d1.at\"]').selectedOptions[0].textContent"); at != "helm" {
			t.Errorf("its device went to %q", at)
		}
		webtest.Must(t, chromedp.Do(ctx, chromedp.SetValue("[name='p0.length']", "150 m"), chromedp.SendKeys("[name='p0.length']", "\r"), chromedp.WaitVisible("[name='p0.length'][value='150 m']")))
		if words := webtest.Script[string](t, ctx, "document.querySelector('#checked').closest('section').textContent"); !strings.Contains(words, "The backbone is 1") {
			t.Errorf("judged: %s", words)
		}
	})
	t.Run("changes the drawing itself", func(t *testing.T) {
		webtest.Show(t, ctx, d.URL()+"/backbone/edit", 1280, false)
		webtest.Must(t, chromedp.Do(ctx, chromedp.WaitVisible(".picture [data-point='1']")))
		drag := func(part string, by float64) {
			webtest.Script[int](t, ctx, fmt.Sprintf(`(() => {
				const e = document.querySelector(%q), box = e.getBoundingClientRect();
				for (const [kind, by] of [["pointerdown", 0], ["pointermove", %g], ["pointerup", %g]])
					e.dispatchEvent(new PointerEvent(kind, {bubbles: true, button: 0, clientX: box.x + box.width / 2 + by, clientY: box.y + box.height / 2}));
				return 0 })()`, part, by, by))
		}
		was := webtest.Script[string](t, ctx, "document.querySelector('[name=\"p0.length\"]').value")
		drag(".picture [data-point='1']", -60)
		webtest.Poll(t, ctx, fmt.Sprintf("document.querySelector('[name=\"p0.length\"]').value !== %q && !document.getElementById('undo').hidden", was))
		webtest.Must(t, chromedp.Do(ctx, chromedp.Click("#undo")))
		webtest.Poll(t, ctx, fmt.Sprintf("document.querySelector('[name=\"p0.length\"]').value === %q && !document.getElementById('redo').hidden", was))
		drag(".picture [data-unit='compass']", 170)
		webtest.Poll(t, ctx, "[...document.querySelectorAll('.picture [data-unit=compass]')].some(e => e.dataset.at === '1')")
		webtest.Must(t, chromedp.Do(ctx, chromedp.Focus(".picture [data-cable='0']"), chromedp.KeyEvent("\r"), chromedp.KeyEvent("7 m\r")))
		webtest.Poll(t, ctx, "document.querySelector('[name=\"p0.length\"]').value === '7 m'")
		webtest.Poll(t, ctx, "document.querySelector('.picture').textContent.includes('7.0 m')")
		// A tee put into a cable divides its length, and asks for that of the first part; what is wrong is marked on the drawing too.
		webtest.Must(t, chromedp.Do(ctx, chromedp.Focus(".picture [data-cable='0']"), chromedp.KeyEvent("+")))
		webtest.Poll(t, ctx, "document.querySelector('[name=\"p0.length\"]').value === '3.5 m' && document.activeElement.matches('.picture .type input')")
		webtest.Must(t, chromedp.Do(ctx, chromedp.KeyEvent("3 miles\r")))
		webtest.Poll(t, ctx, "document.querySelector('[name=\"p0.length\"]').getAttribute('aria-invalid') === 'true' && document.querySelector('.picture [data-cable=\"0\"]').classList.contains('wrong')")
		for range 2 {
			webtest.Must(t, chromedp.Do(ctx, chromedp.Click("#undo")))
			webtest.Poll(t, ctx, "!document.getElementById('redo').hidden")
		}
		webtest.Poll(t, ctx, "document.querySelector('[name=\"p0.length\"]').value === '7 m'")
		webtest.Script[int](t, ctx, "document.querySelector('.draw [name=by]').value = '', 0") // a name of before is remembered
		webtest.Must(t, chromedp.Do(ctx, chromedp.Click("button[value=keep]")))
		webtest.Poll(t, ctx, "document.querySelector('main').textContent.includes('enter it, 60 characters') && document.querySelector('[name=\"p0.length\"]').value === '7 m'")
		webtest.Script[int](t, ctx, "document.querySelector('.draw [name=by]').value = 'Robin', 0")
		webtest.Must(t, chromedp.Do(ctx, chromedp.Click("button[value=keep]")))
		webtest.Poll(t, ctx, "document.querySelector('#versions')?.textContent.includes('saved by Robin')")
		daemontest.Until(t, "the layout is in force", func() bool { l := d.Desk().Layouts(); return len(l) == 1 && strings.Contains(l[0].Text, "7 m") })
	})
	t.Run("prints the service record of an order alone", func(t *testing.T) {
		webtest.Show(t, ctx, d.URL()+pages["comparison"], webtest.Phone, false)
		webtest.Must(t, chromedp.Do(ctx, chromedp.Click("form[action='/snapshots/record'] button"), chromedp.WaitVisible("header + h1"))) // only the record has that
		for _, want := range []string{"Service record\n", "Work order", "Larkfin LF9 display", "it was not begun", "4.47", "4.52"} {
			if words := webtest.Script[string](t, ctx, "document.body.innerText"); !strings.Contains(words, want) {
				t.Errorf("the record lacks %q: %.600s", want, words)
			}
		}
	})
	t.Run("shows sentences as they come", func(t *testing.T) {
		webtest.Show(t, ctx, d.URL()+pages["sentences"], webtest.Phone, false)
		webtest.Script[int](t, ctx, "document.getElementById('traffic').replaceChildren(), 0") // what is there then is the script's
		webtest.Poll(t, ctx, "[...document.querySelectorAll('#traffic li')].some(e => e.textContent.includes('GPRMC') && /[$]GPRMC,.*[*]/.test(e.querySelector('code').textContent) && e.textContent.includes('speed over ground'))")
		if words := webtest.Script[string](t, ctx, "document.querySelector('#traffic').textContent"); strings.Contains(words, "instance") {
			t.Errorf("messages of a bus stand there too: %.300s", words)
		}
	})
	t.Run("pauses traffic", func(t *testing.T) {
		webtest.Show(t, ctx, d.URL()+"/traffic", 1100, false)
		webtest.Poll(t, ctx, "document.querySelector('#rate').textContent.startsWith('Showing')")
		webtest.Script[int](t, ctx, "window.row = [...document.querySelectorAll('#values tr')].find(e => e.textContent.includes('127250')), window.was = row.querySelector('.fields').textContent, 0")
		webtest.Poll(t, ctx, "row.isConnected && row.querySelector('.fields').textContent !== was")
		webtest.Must(t, chromedp.Do(ctx, chromedp.SendKeys("#filter [name=q]", "127250")))
		webtest.Poll(t, ctx, "location.search === '?q=127250' && [...document.querySelectorAll('#values tr')].filter(e => e.checkVisibility()).length === 1")
		if words := webtest.Script[string](t, ctx, "document.getElementById('export').href"); !strings.HasSuffix(words, "/traffic.log?q=127250") {
			t.Errorf("exported is %s", words)
		}
		webtest.Script[int](t, ctx, `window.kept = 1, document.querySelector("#filter [name=q]").value = "",
			Object.assign(document.querySelector("#filter [name=message]"), {value: "128267"}).dispatchEvent(new Event("change", {bubbles: true})), 0`)
		webtest.Poll(t, ctx, "window.kept === 1 && location.search === '?message=128267' && [...values.rows].length > 0 && [...values.rows].every(e => e.textContent.includes('128267'))")
		webtest.Script[int](t, ctx, "document.getElementById('traffic').replaceChildren(), 0") // what is there then came by the stream
		webtest.Poll(t, ctx, "traffic.children.length > 2")
		if !webtest.Script[bool](t, ctx, "[...traffic.children].every(e => e.textContent.includes('128267'))") {
			t.Error("the stream has messages that were not chosen")
		}
		webtest.Must(t, chromedp.Do(ctx, chromedp.Click("#pause")))
		webtest.Script[int](t, ctx, "new MutationObserver(() => window.changed = 1).observe(document.getElementById('traffic'), {childList: true}), 0")
		webtest.Must(t, chromedp.Do(ctx, chromedp.Sleep(2*time.Second)))
		if webtest.Script[int](t, ctx, "window.changed || 0") != 0 {
			t.Error("the list changed while it was paused")
		}
	})
}

// TestBrowserFaults walks the pages of a boat with one of each fault.
func TestBrowserFaults(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	engine := webtest.Axe(t)
	d := daemontest.Demo(t, "faults", 20, nil)
	pages := paths(t, d)
	ctx := webtest.Browser(t)
	for _, name := range slices.Sorted(maps.Keys(pages)) {
		t.Run(name, func(t *testing.T) { webtest.Hold(t, ctx, engine, d.URL()+pages[name]) })
	}
}

// TestTidy holds every page to a packaged HTML checker.
func TestTidy(t *testing.T) {
	d := daemontest.Demo(t, "demo", 20, nil)
	pages := paths(t, d)
	for name, path := range pages {
		t.Run(name, func(t *testing.T) {
			resp, err := http.Get(d.URL() + path)
			if err != nil {
				t.Fatal(err)
			}
			defer resp.Body.Close()
			page, err := io.ReadAll(resp.Body)
			webtest.Must(t, err)
			webtest.Tidy(t, page)
		})
	}
}
