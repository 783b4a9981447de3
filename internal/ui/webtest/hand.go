package webtest

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// Hand presses the buttons of pages in a browser's tab, and counts taps.
type Hand struct {
	T    *testing.T
	Ctx  context.Context
	Taps int
}

// Tap presses the button of a form, after what was typed into it, and waits for the page that follows.
func (p *Hand) Tap(form string, fields ...string) {
	p.T.Helper()
	Poll(p.T, p.Ctx, fmt.Sprintf("!!document.querySelector(%q)", form))
	for i := 0; i < len(fields); i += 2 {
		Script[int](p.T, p.Ctx, fmt.Sprintf("document.querySelector(%q).elements[%q].value = %q, 0", form, fields[i], fields[i+1]))
	}
	Script[int](p.T, p.Ctx, fmt.Sprintf("window.before = true, document.querySelector(%q).closest('details')?.setAttribute('open', ''), 0", form))
	Must(p.T, chromedp.Do(p.Ctx, chromedp.Click(form+" button:not([type=button])")))
	p.wait("the next page is there", func() bool {
		there, err := chromedp.Run(p.Ctx, chromedp.Evaluate[bool]("window.before === undefined && document.readyState === 'complete'"))
		return err == nil && there // an error while it goes from one page to the other
	})
	p.Taps++
	if bad := Script[string](p.T, p.Ctx, "document.querySelector('[role=alert]')?.textContent || ''"); bad != "" {
		p.T.Fatalf("%s: %s", form, bad)
	}
}

// Says waits until the page shows a text by itself.
func (p *Hand) Says(text string) {
	p.T.Helper()
	p.wait("the page shows "+text, func() bool {
		return strings.Contains(Script[string](p.T, p.Ctx, "document.querySelector('main').textContent"), text)
	})
}

// wait waits for something that comes true in its own time.
func (p *Hand) wait(what string, true func() bool) {
	p.T.Helper()
	for range 1200 {
		if true() {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	p.T.Fatalf("it never came true that %s: %s", what, Script[string](p.T, p.Ctx, "document.querySelector('main').textContent"))
}
