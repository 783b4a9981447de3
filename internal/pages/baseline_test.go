package pages_test

import (
	"testing"

	"github.com/chromedp/chromedp"

	"muster/internal/daemon/daemontest"
	"muster/internal/ui/webtest"
)

// TestBaselineOnThePage accepts a snapshot as baseline on the page of proof, and ends that.
func TestBaselineOnThePage(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	d := daemontest.Demo(t, "demo", 20, nil)
	daemontest.Until(t, "devices are known", func() bool { return len(d.Report().Devices) > 10 })
	ctx := webtest.Browser(t)
	const words = "document.querySelector('[aria-labelledby=baseline]').textContent"
	webtest.Show(t, ctx, d.URL()+"/snapshots", webtest.Phone, false)
	webtest.Must(t, chromedp.Do(ctx, chromedp.Click("button.main"), chromedp.WaitVisible(".said"), chromedp.WaitVisible("select[name=snapshot]")))
	for _, step := range []struct{ button, says string }{
		{"[action='/snapshots/baseline'] button", "is compared with the snapshot of"}, {"[action='/snapshots/baseline/end'] button", "No baseline is set"}} {
		webtest.Script[int](t, ctx, "document.querySelector('.said').remove(), 0") // so that the next one is the answer to what follows
		webtest.Must(t, chromedp.Do(ctx, chromedp.Click(step.button), chromedp.WaitVisible(".said")))
		webtest.Poll(t, ctx, words+".includes('"+step.says+"')")
		if s, _ := d.Desk().Baseline(); (s != nil) != (step.says[0] == 'i') {
			t.Errorf("the page says that it %s, the daemon has %v", step.says, s)
		}
	}
}
