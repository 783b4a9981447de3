package pages

import (
	"net/http"
	"testing"

	"github.com/chromedp/chromedp"

	"muster/internal/api"
	"muster/internal/ui/webtest"
)

// TestRefusedStream: a page that is refused separates a token that is no longer good from a boat that is lost, and
// comes back by itself when it is accepted again, which the browser by itself does not try.
func TestRefusedStream(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	ctx := webtest.Browser(t)
	t.Run("token", func(t *testing.T) {
		const first, second = "0123456789abcdef", "fedcba9876543210"
		f := webtest.NewReports(webtest.Sample(t))
		s := serve(t, api.Options{Token: first, EventEvery: 1, Reports: f})
		webtest.Show(t, ctx, s.URL()+"/network", webtest.Phone, false)
		webtest.Must(t, chromedp.Do(ctx, chromedp.SendKeys("input[name=token]", first), chromedp.Click("main button"), chromedp.WaitVisible("#content[data-live]")))
		renew, err := s.Renew(second, "", "", "")
		webtest.Must(t, err)
		renew()
		newer := webtest.Sample(t)
		newer.Boat.Name = "Merlin"
		f.Set(newer)
		webtest.Poll(t, ctx, "document.getElementById('link').textContent.includes('Reload this page and sign in')")
	})
	t.Run("too many readers", func(t *testing.T) {
		s := serve(t, api.Options{EventEvery: 1, MaxEventListeners: 1, Reports: webtest.NewReports(webtest.Sample(t))})
		other, err := http.Get(s.URL() + "/api/v1/events")
		webtest.Must(t, err)
		defer other.Body.Close()
		webtest.Show(t, ctx, s.URL()+"/", webtest.Phone, false)
		webtest.Poll(t, ctx, "document.getElementById('link').textContent.includes('does not answer')")
		other.Body.Close()
		webtest.Poll(t, ctx, "document.getElementById('link').textContent === ''")
	})
}
