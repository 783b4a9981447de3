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
	const clash = "[id^='open-instance-clash']"
	webtest.Must(t, chromedp.Do(ctx, chromedp.Click(clash+" summary"), chromedp.SendKeys(clash+" input[name=why]", "known since spring"),
		chromedp.SendKeys(clash+" input[name=by]", "Robin"), chromedp.Click(clash+" [formaction='/alerts/silence']"), chromedp.WaitVisible(".said")))
	webtest.Show(t, ctx, d.URL()+"/silences", webtest.Phone, false)
	webtest.Poll(t, ctx, set)
	webtest.Poll(t, ctx, "document.querySelector('[aria-labelledby=held]').textContent.includes('battery')")
	webtest.Must(t, chromedp.Do(ctx, chromedp.Click("[aria-labelledby=set] li:last-child button"), chromedp.WaitVisible(".said")))
	webtest.Poll(t, ctx, "!"+set)
	if n := len(d.Desk().Silences()); n != 0 {
		t.Errorf("%d silences are left", n)
	}
}
