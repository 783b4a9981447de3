package pages_test

import (
	"testing"

	"github.com/chromedp/chromedp"

	"muster/internal/daemon/daemontest"
	"muster/internal/ui/webtest"
)

// TestSilencesPage silences an alert from where it is listed, and ends that.
func TestSilencesPage(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	d := daemontest.Demo(t, "demo", 20, nil)
	daemontest.Until(t, "two batteries clash", func() bool { return daemontest.OpenAlert(d, "instance-clash") })
	ctx := webtest.Browser(t)
	const set = "document.querySelector('[aria-labelledby=set]').textContent.includes('known since spring · by Robin')"
	webtest.Show(t, ctx, d.URL()+"/", webtest.Phone, false)
	webtest.Must(t, chromedp.Do(ctx, chromedp.Click("[id^='alert-instance-clash'] .act > a"), chromedp.WaitVisible("#new"),
		chromedp.SendKeys("input[name=why]", "known since spring"), chromedp.SendKeys("input[name=by]", "Robin"),
		chromedp.Click("form.panel button"), chromedp.WaitVisible(".said")))
	webtest.Poll(t, ctx, set)
	webtest.Poll(t, ctx, "document.querySelector('[aria-labelledby=held]').textContent.includes('battery')")
	webtest.Script[int](t, ctx, "document.querySelector('.said').remove(), 0") // so that the next one is the answer to what follows
	webtest.Must(t, chromedp.Do(ctx, chromedp.Click("[aria-labelledby=set] li:last-child button"), chromedp.WaitVisible(".said")))
	webtest.Poll(t, ctx, "!"+set)
	if n := len(d.Desk().Silences()); n != 0 {
		t.Errorf("%d silences are left", n)
	}
}
