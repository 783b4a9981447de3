package pages

import (
	"flag"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"muster/internal/check"
	"muster/internal/fleet/hub"
	"muster/internal/ui/webtest"
)

var (
	screenshots = flag.String("screenshots", "", "folder into which TestScreenshots puts pictures of every page")
	running     = flag.String("running", "", "URL of a hub whose pages TestScreenshots takes instead, such as that of muster-hub demo")
)

// TestScreenshots makes pictures of the pages: go test ./internal/fleet/pages -run TestScreenshots -screenshots DIR.
func TestScreenshots(t *testing.T) {
	if *screenshots == "" {
		t.Skip("no folder was given: -screenshots DIR")
	}
	if *running != "" {
		webtest.Pictures(t, webtest.Browser(t), *running, map[string]string{"fleet": "/", "campaign": "/campaigns/LF9%20display", "week": "/week",
			"fleet-boat": "/boats/wagtail", "enrol": "/enrol", "search": "/search?below=4.52&model=LF9"}, *screenshots, webtest.High)
		return
	}
	webtest.Pictures(t, webtest.Browser(t), serve(t, fakeBoats(t), nil).URL(), everyPage, *screenshots, webtest.High)
}

// changing is a fleet whose first boat can get another summary.
type changing struct {
	*fakeFleet
	mu       sync.Mutex
	revision uint64
}

func (c *changing) Revision() uint64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.revision
}

func (c *changing) Boats() []*hub.Boat {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.boats)
}

// news replaces a boat.
func (c *changing) news(id string, edit func(*hub.Boat)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i, b := range c.boats {
		if b.ID == id {
			changed := *b
			edit(&changed)
			c.boats[i] = &changed
		}
	}
	c.revision++
}

// TestBrowser walks the pages as a marina does.
func TestBrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	engine := webtest.Axe(t)
	f := &changing{fakeFleet: fakeBoats(t), revision: 7}
	s := serve(t, f, func(o *Options) { o.EventEvery = 50 * time.Millisecond })
	crowd := serve(t, many(), nil)
	ctx := webtest.Browser(t)
	for _, name := range slices.Sorted(maps.Keys(everyPage)) {
		t.Run(name, func(t *testing.T) { webtest.Hold(t, ctx, engine, s.URL()+everyPage[name]) })
	}
	for _, path := range []string{"/", "/search?q=LF9&page=3"} {
		t.Run("10,000 boats "+path, func(t *testing.T) { webtest.Hold(t, ctx, engine, crowd.URL()+path) })
	}
	t.Run("finds what is older", func(t *testing.T) {
		webtest.Show(t, ctx, s.URL()+"/search", webtest.Phone, false)
		webtest.Must(t, chromedp.Do(ctx, chromedp.SendKeys("input[name=model]", "LF9"), chromedp.SendKeys("input[name=below]", "4.52"), chromedp.Click("button.main"),
			chromedp.WaitVisible(".hits")))
		if words := webtest.Script[string](t, ctx, "document.querySelector('[role=status].sentence').textContent"); !strings.Contains(words, "5 units older than 4.52") {
			t.Errorf("the search says %q", words)
		}
	})
	t.Run("lives without a reload and keeps what is typed", func(t *testing.T) {
		webtest.Show(t, ctx, s.URL()+"/", webtest.Laptop, false)
		webtest.Script[bool](t, ctx, "window.kept = true")
		webtest.Must(t, chromedp.Do(ctx, chromedp.SendKeys("input[name=q]", "plo")))
		webtest.Poll(t, ctx, "document.querySelector('#boat-redshank .state').textContent.includes('OK')")
		f.news("redshank", func(b *hub.Boat) {
			b.Alerts = []hub.Alert{{ID: "low-voltage 1", Check: "low-voltage", Severity: check.Critical, State: "open", Since: noon, Summary: "The supply is at 10.9 V."}}
		})
		webtest.Poll(t, ctx, "document.querySelector('#boat-redshank .state').textContent.includes('needs a visit')")
		webtest.Poll(t, ctx, "document.querySelector('.verdict .sentence').textContent.includes('2 of 5 boats need a visit')")
		if !webtest.Script[bool](t, ctx, "window.kept === true") {
			t.Error("the page was loaded anew")
		}
		if typed := webtest.Script[string](t, ctx, "document.querySelector('input[name=q]').value"); typed != "plo" {
			t.Errorf("typed text became %q", typed)
		}
	})
}
