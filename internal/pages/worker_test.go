package pages

import (
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"

	"muster/internal/api"
	"muster/internal/ui/webtest"
)

// until waits on the page for a promise that gives true.
func until(what string) string {
	return "(async () => { while (!await (" + what + ")) await new Promise(done => setTimeout(done, 50)); return true })()"
}

// TestHomeScreen: at an address that the browser trusts, the pages can be installed; the home screen opens from the browser's memory, says
// how old that is, and is renewed in place.
func TestHomeScreen(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	reports := webtest.NewReports(aboard(t))
	s := serve(t, api.Options{Reports: reports, EventEvery: 1})
	to, err := url.Parse(s.URL())
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
	defer front.CloseClientConnections()
	ctx := webtest.Browser(t)
	webtest.Show(t, ctx, front.URL+"/", webtest.Phone, false)
	webtest.Script[bool](t, ctx, until("navigator.serviceWorker.ready.then(() => !!navigator.serviceWorker.controller)"))
	for _, e := range call(t, ctx, page.GetInstallabilityErrors, cdp.Empty{}).InstallabilityErrors {
		t.Errorf("not installable: %s %v", e.ErrorID, e.ErrorArguments)
	}
	webtest.Show(t, ctx, front.URL+"/?said=acknowledged", webtest.Phone, false)
	webtest.Script[bool](t, ctx, until("caches.open('pages').then(c => c.match('/'))"))

	cut.Store(true)
	front.CloseClientConnections()
	webtest.Show(t, ctx, front.URL+"/?home=1", webtest.Phone, false)
	webtest.Poll(t, ctx, "/^This page is from the memory of this browser[.] It is \\d+ s old[.]$/.test(document.getElementById('link').textContent)")
	if words := webtest.Script[string](t, ctx, "document.querySelector('.sentence').textContent"); !strings.Contains(words, "needs attention") {
		t.Errorf("the kept page: %s", words)
	}
	later := *reports.Report()
	later.Boat.Name = "Merlin"
	reports.Set(&later)
	cut.Store(false)
	webtest.Poll(t, ctx, "document.querySelector('.verdict h1').textContent === 'Merlin' && document.getElementById('link').textContent === '' && !document.body.dataset.kept")

	webtest.Show(t, ctx, front.URL+measuresPath, webtest.Phone, false)
	if words := webtest.Script[string](t, ctx, "document.getElementById('home-state').textContent"); !strings.Contains(words, "opens at once") {
		t.Errorf("the home screen: %s", words)
	}
}

// TestBookmark: at an address that a browser does not trust, the page says why it is a bookmark there.
func TestBookmark(t *testing.T) {
	const token = "0123456789abcdef"
	s := serve(t, api.Options{Reports: webtest.NewReports(aboard(t)), Token: token})
	for host, want := range map[string]string{"192.0.2.7:8632": "this is a bookmark only: the browser does not trust this address", "localhost:8632": "opens at once"} {
		_, text := webtest.Get(t, s.URL()+measuresPath, "Authorization", "Bearer "+token, "Host", host)
		_, section, _ := strings.Cut(words(text), "Home screen")
		if !strings.Contains(section, want) {
			t.Errorf("at %s: %s", host, section)
		}
	}
	resp, _ := webtest.Get(t, s.URL()+"/static/worker.js")
	again, text := webtest.Get(t, s.URL()+"/static/worker.js", "If-None-Match", resp.Header.Get("ETag"))
	if resp.Header.Get("Service-Worker-Allowed") != "/" || again.StatusCode != http.StatusNotModified || text != "" {
		t.Errorf("the worker: %v, then %s", resp.Header, again.Status)
	}
}
