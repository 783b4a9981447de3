package pages_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"muster/internal/daemon"
	"muster/internal/ui/webtest"
)

const (
	clash    = "[id^='open-instance-clash']" // by its alert: others may come before it
	timeText = "document.querySelector('time').textContent"
)

// testConsole: the page Boat updates in place, and what is open, typed and being read stays through updates and actions.
func testConsole(t *testing.T, ctx context.Context, d *daemon.Daemon) {
	t.Run("lives without a reload and keeps what is typed", func(t *testing.T) {
		webtest.Show(t, ctx, d.URL()+"/", 1100, false)
		webtest.Script[bool](t, ctx, "window.kept = true")
		webtest.Must(t, chromedp.Do(ctx, chromedp.Click(clash+" summary"), chromedp.SendKeys(clash+" input[name=by]", "Jo")))
		top := fmt.Sprintf("Math.round(document.querySelector(%q).getBoundingClientRect().top)", clash)
		was := webtest.Script[int](t, ctx, "scrollTo(0, 150), "+top)
		for range 2 {
			webtest.Poll(t, ctx, fmt.Sprintf("%s !== %q", timeText, webtest.Script[string](t, ctx, timeText)))
		}
		if !webtest.Script[bool](t, ctx, "window.kept === true && document.querySelector(\""+clash+"\").open") {
			t.Error("the page was loaded anew, or closed what was open")
		}
		if now := webtest.Script[int](t, ctx, top); now < was-1 || now > was+1 { // others may have come before it
			t.Errorf("what is read moved from %d to %d", was, now)
		}
		if typed := webtest.Script[string](t, ctx, fmt.Sprintf("document.querySelector(%q).value", clash+" input[name=by]")); typed != "Jo" {
			t.Errorf("typed text became %q", typed)
		}
	})
	t.Run("acknowledges, and takes it back, where one reads", func(t *testing.T) {
		webtest.Show(t, ctx, d.URL()+"/", 360, false)
		webtest.Script[int](t, ctx, "window.kept = 1, document.querySelector('#judged').open = true, 0")
		webtest.Must(t, chromedp.Do(ctx, chromedp.Click(clash+" summary"), chromedp.SendKeys(clash+" input[name=by]", "Robin"), chromedp.Click(clash+" .bar button:first-child"),
			chromedp.WaitVisible(".said")))
		webtest.Poll(t, ctx, "[...document.querySelectorAll('#quiet .status')].some(e => e.textContent.includes('acknowledged by Robin'))")
		if !webtest.Script[bool](t, ctx, "window.kept === 1 && document.querySelector('#judged').open && !document.querySelector(\""+clash+"\")") {
			t.Error("the page was loaded anew, or the alert is still counted")
		}
		webtest.Script[int](t, ctx, "document.querySelector('#quiet').open = true, document.querySelector('[id^=\"quiet-instance-clash\"]').open = true, 0")
		webtest.Must(t, chromedp.Do(ctx, chromedp.Click("[id^='quiet-instance-clash'] button[formaction='/alerts/reopen']")))
		webtest.Poll(t, ctx, "!!document.querySelector(\""+clash+"\")")
	})
	t.Run("acts on all that is ticked, and says what is wrong", func(t *testing.T) {
		webtest.Show(t, ctx, d.URL()+"/", 1100, false)
		webtest.Script[int](t, ctx, "window.kept = 1, [...document.querySelectorAll('.alert > .pick input')].slice(0, 2).forEach(e => e.click()), 0")
		webtest.Must(t, chromedp.Do(ctx, chromedp.WaitVisible("#bulk"), chromedp.SetValue("#bulk input[name=by]", "Robin"), chromedp.Click("#bulk [formaction='/alerts/silence']")))
		webtest.Poll(t, ctx, "!!document.querySelector('.own.bad')?.textContent.includes('enter the reason')")
		webtest.Must(t, chromedp.Do(ctx, chromedp.SetValue("#bulk input[name=why]", "known"), chromedp.Click("#bulk [formaction='/alerts/silence']")))
		webtest.Poll(t, ctx, "window.kept === 1 && [...document.querySelectorAll('#quiet > .alerts > li')].length >= 2 && getComputedStyle(document.querySelector('#bulk')).display === 'none'")
		if n := len(d.Desk().Silences()); n < 3 { // one is of paths
			t.Errorf("%d silences", n)
		}
		for _, s := range d.Desk().Silences() {
			if s.Why == "known" {
				webtest.Must(t, d.Desk().EndSilence(ctx, s))
			}
		}
	})
	t.Run("finds units at once, and the address has it", func(t *testing.T) {
		webtest.Show(t, ctx, d.URL()+"/", 1100, false)
		webtest.Script[int](t, ctx, "window.kept = 1, 0")
		webtest.Must(t, chromedp.Do(ctx, chromedp.SendKeys("[data-choose] [name=q]", "lf9")))
		webtest.Poll(t, ctx, "location.search === '?q=lf9' && document.querySelectorAll('.units tbody tr').length === 2")
		webtest.Must(t, chromedp.Do(ctx, chromedp.Click(".units .c-address a")))
		webtest.Poll(t, ctx, "!!document.querySelector('.c-address[aria-sort=ascending]') && location.search.includes('sort=address')")
		if !webtest.Script[bool](t, ctx, "window.kept === 1 && document.querySelector('[name=q]').value === 'lf9'") {
			t.Error("the page was loaded anew")
		}
		webtest.Show(t, ctx, d.URL()+"/?q=lf9&sort=-address", 1100, false) // and without the script
		if n := webtest.Script[int](t, ctx, "document.querySelectorAll('.units tbody tr').length"); n != 2 {
			t.Errorf("%d units", n)
		}
	})
	t.Run("draws how the boat went", func(t *testing.T) {
		webtest.Show(t, ctx, d.URL()+"/", 360, false)
		webtest.Script[int](t, ctx, "window.kept = 1, document.querySelector('#trends').scrollIntoView(), 0")
		webtest.Poll(t, ctx, "document.querySelector('#plots-1h').dataset.drawn === '4'")
		webtest.Must(t, chromedp.Do(ctx, chromedp.Click("#trends ~ .links a[href*='trend=24h']")))
		webtest.Poll(t, ctx, "location.search === '?trend=24h' && !!document.querySelector('#plots-24h') && !document.querySelector('#plots-1h')")
		if !webtest.Script[bool](t, ctx, "window.kept === 1 && document.documentElement.scrollWidth <= 360") {
			t.Error("the page was loaded anew, or scrolls sideways")
		}
	})
	t.Run("goes through rows by the keyboard", func(t *testing.T) {
		webtest.Show(t, ctx, d.URL()+"/", 1100, false)
		webtest.Script[int](t, ctx, "document.querySelector('.alerts summary').focus(), 0")
		webtest.Must(t, chromedp.Do(ctx, chromedp.KeyEvent("x"), chromedp.KeyEvent(kb.ArrowDown)))
		if !webtest.Script[bool](t, ctx, "document.querySelector('.alert .pick input').checked && document.activeElement === document.querySelectorAll('.alerts summary')[1]") {
			t.Errorf("x did not choose the row, or the arrow did not go to the next: %s", webtest.Script[string](t, ctx, "document.querySelector('.alert .pick input').checked + document.activeElement.outerHTML.slice(0, 99)"))
		}
		webtest.Must(t, chromedp.Do(ctx, chromedp.KeyEvent("/")))
		if !webtest.Script[bool](t, ctx, "document.activeElement.name === 'q'") {
			t.Error("/ is not the search")
		}
	})
	t.Run("says that the boat is gone, and sends what was typed when it is back", func(t *testing.T) { testLost(t, ctx, d) })
}

// testLost puts the page behind something that can be cut.
func testLost(t *testing.T, ctx context.Context, d *daemon.Daemon) {
	to, err := url.Parse(d.URL())
	webtest.Must(t, err)
	var cut atomic.Bool
	proxy := &httputil.ReverseProxy{FlushInterval: -1, Rewrite: func(r *httputil.ProxyRequest) { r.SetURL(to) }, ErrorHandler: func(http.ResponseWriter, *http.Request, error) {}}
	front := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if cut.Load() {
			panic(http.ErrAbortHandler)
		}
		proxy.ServeHTTP(w, r)
	}))
	defer front.Close()
	defer front.CloseClientConnections() // the page's stream is open
	webtest.Show(t, ctx, front.URL+"/", 1100, false)
	webtest.Must(t, chromedp.Do(ctx, chromedp.Click(clash+" summary"), chromedp.SendKeys(clash+" input[name=by]", "Ben")))
	webtest.Poll(t, ctx, "document.querySelector('.state').checkVisibility()")
	colour := webtest.Script[string](t, ctx, "getComputedStyle(document.querySelector('.verdict')).color")
	cut.Store(true)
	front.CloseClientConnections()
	webtest.Poll(t, ctx, "/does not answer.* It is \\d+ s old[.]/.test(document.querySelector('#link').textContent)")
	if now := webtest.Script[string](t, ctx, "getComputedStyle(document.querySelector('.verdict')).color"); now == colour {
		t.Errorf("the verdict is still %s", now)
	}
	webtest.Must(t, chromedp.Do(ctx, chromedp.Click(clash+" .bar button:first-child")))
	webtest.Poll(t, ctx, "!!document.querySelector('.own.bad')?.textContent.includes('Not sent yet')")
	cut.Store(false)
	webtest.Poll(t, ctx, "[...document.querySelectorAll('#quiet .status')].some(e => e.textContent.includes('acknowledged by Ben')) && !document.body.classList.contains('lost')")
	for _, a := range d.Report().Alerts {
		if strings.HasPrefix(a.ID, "instance-clash") && a.AcknowledgedBy == "Ben" {
			webtest.Must(t, d.Desk().Unacknowledge(ctx, a.ID))
		}
	}
}
