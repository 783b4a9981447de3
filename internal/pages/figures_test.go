package pages

import (
	"cmp"
	"context"
	"flag"
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/heapprofiler"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/performance"
	"github.com/chromedp/chromedp"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/ui/webtest"
)

var figures = flag.Bool("figures", false, "TestFigures measures the speed of the pages in a browser; with -v it prints it")

// call sends a command to the browser.
func call[P, R any](t *testing.T, ctx context.Context, command cdp.Command[P, R], params P) (answer R) {
	t.Helper()
	webtest.Must(t, chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, target *chromedp.Target) (err error) {
		answer, err = cdp.Call(ctx, target, command, params)
		return err
	})))
	return answer
}

// slow makes the browser's processor and network so slow; a rate of 0 bit/s is no bound.
func slow(t *testing.T, ctx context.Context, processor float64, bits float64, latency time.Duration) {
	t.Helper()
	call(t, ctx, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: processor})
	bytes := bits / 8
	if bits == 0 {
		bytes = -1
	}
	call(t, ctx, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{MatchedNetworkConditions: []*network.Conditions{
		{Latency: float64(latency.Milliseconds()), DownloadThroughput: bytes, UploadThroughput: bytes}}})
}

// counts are what of a page grows when it keeps what it no longer shows.
type counts struct{ heap, nodes, listeners float64 }

func countsOf(t *testing.T, ctx context.Context) (c counts) {
	t.Helper()
	call(t, ctx, heapprofiler.CollectGarbage, cdp.Empty{})
	for _, m := range call(t, ctx, performance.GetMetrics, cdp.Empty{}).Metrics {
		switch m.Name {
		case "JSHeapUsedSize":
			c.heap = m.Value
		case "Nodes":
			c.nodes = m.Value
		case "JSEventListeners":
			c.listeners = m.Value
		}
	}
	return c
}

// later is a report some time after another: values, loads and states of units go on.
func later(r *report.Report, step int) *report.Report {
	next := *r
	next.TakenAt = r.TakenAt.Add(time.Duration(step) * dayStep)
	next.Devices = append([]report.Device(nil), r.Devices...)
	for i := range next.Devices {
		d := &next.Devices[i]
		d.Load = float64((step*7+i*13)%100) / 1e4
		d.LastSeen = next.TakenAt - event.Time(i%5)*event.Time(time.Second)
	}
	if step%3 == 0 && len(next.Alerts) > 0 { // an alert comes and goes
		next.Alerts = next.Alerts[1:]
	}
	return &next
}

const dayStep = 30 * time.Second

// shownAnew is whether another report is shown; it is always the same text, as the browser keeps each that it is asked.
const shownAnew = "(now => now !== window.was && !!(window.was = now))(document.querySelector('.verdict time').dateTime)"

// TestFigures measures what depends on the clock, and so is no part of the usual tests: first view and interactions on a slow phone. What
// grows over a day is counted: go test ./internal/pages -run TestFigures -figures -v.
func TestFigures(t *testing.T) {
	if !*figures {
		t.Skip("it measures; -figures runs it")
	}
	const phone = 4 // times as slow a processor
	r := crowded(t)
	for i := range r.Devices { // each a unit of its own
		product := *cmp.Or(r.Devices[i].Product, &boat.Product{Model: "Larkfin LF9 display"})
		product.Serial = fmt.Sprintf("LF9-%05d", i)
		r.Devices[i].Product = &product
	}
	held := webtest.NewReports(r)
	s := serve(t, api.Options{Reports: held, EventEvery: 1, Plans: plans(t, example(t))})
	ctx := webtest.Browser(t)
	call(t, ctx, performance.Enable, performance.EnableParams{})
	call(t, ctx, network.Enable, network.EnableParams{})

	t.Run("first view", func(t *testing.T) {
		call(t, ctx, network.SetCacheDisabled, network.SetCacheDisabledParams{CacheDisabled: true})
		slow(t, ctx, phone, 1.6e6, 150*time.Millisecond)
		for range 3 {
			webtest.Show(t, ctx, s.URL()+"/", webtest.Phone, false)
			shown := webtest.Script[float64](t, ctx, `new Promise(done => new PerformanceObserver(l => done(l.getEntries().at(-1).startTime)).observe({type: "largest-contentful-paint", buffered: true}))`)
			first := webtest.Script[float64](t, ctx, `performance.getEntriesByName("first-contentful-paint")[0].startTime`)
			sent := webtest.Script[float64](t, ctx, `[...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")].reduce((n, e) => n + e.transferSize, 0)`)
			t.Logf("%d units, processor 4 times slower, 1.6 Mbit/s, 150 ms: first paint %.0f ms, largest %.0f ms, %.1f kB", len(r.Units), first, shown, sent/1000)
			if sent > 100_000 {
				t.Errorf("%.0f bytes, more than 100 kB", sent)
			}
		}
		call(t, ctx, network.SetCacheDisabled, network.SetCacheDisabledParams{})
	})
	t.Run("interactions", func(t *testing.T) {
		slow(t, ctx, phone, 0, 0)
		webtest.Show(t, ctx, s.URL()+"/", webtest.Phone, false)
		webtest.Script[int](t, ctx, `window.took = [], new PerformanceObserver(l => took.push(...l.getEntries().map(e => [e.name, e.duration]))).observe({type: "event", durationThreshold: 16, buffered: true}), 0`)
		do := func(name string, act func() error) {
			webtest.Script[int](t, ctx, "took.length = 0, 0")
			webtest.Must(t, act())
			worst := webtest.Script[float64](t, ctx, "new Promise(done => setTimeout(() => done(Math.max(16, ...took.map(e => e[1]))), 700))")
			t.Logf("%-24s %3.0f ms from the input to the next picture", name, worst)
		}
		do("open an alert", func() error { return chromedp.Do(ctx, chromedp.Click(".alerts summary")) })
		do("choose a row", func() error { return chromedp.Do(ctx, chromedp.Click(".alert .pick")) })
		do("search units", func() error { return chromedp.Do(ctx, chromedp.SendKeys("[data-choose] [name=q]", "lf9")) })
		do("clear the search", func() error { return chromedp.Do(ctx, chromedp.SendKeys("[data-choose] [name=q]", "\b\b\b")) })
		do("next row by the keyboard", func() error { return chromedp.Do(ctx, chromedp.Focus(".alerts summary"), chromedp.KeyEvent("\t")) })
	})
	t.Run("a day", func(t *testing.T) {
		slow(t, ctx, 1, 0, 0)
		webtest.Show(t, ctx, s.URL()+"/", webtest.Laptop, false)
		webtest.Script[int](t, ctx, "window.was = document.querySelector('.verdict time').dateTime, 0")
		steps := int(24 * time.Hour / dayStep)
		var early, late counts
		began := time.Now()
		for step := 1; step <= steps; step++ {
			next := later(r, step)
			held.Set(next)
			webtest.Poll(t, ctx, shownAnew)
			switch step {
			case steps / 24:
				early = countsOf(t, ctx)
			case steps:
				late = countsOf(t, ctx)
			}
		}
		t.Logf("%d reports of 24 h in %v: after one hour %.2f MB, %.0f nodes, %.0f listeners; after the day %.2f MB, %.0f nodes, %.0f listeners", steps,
			time.Since(began).Round(time.Second), early.heap/1e6, early.nodes, early.listeners, late.heap/1e6, late.nodes, late.listeners)
		if late.heap > early.heap*1.1+500_000 || late.nodes > early.nodes*1.1+500 || late.listeners > early.listeners+10 {
			t.Error("the page grows")
		}
	})
}
