// Package webtest walks pages in Debian's Chromium, for the tests of those who serve them.
package webtest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// Widths of a phone's and a laptop's window, and the height of both, in pixels.
const (
	Phone  = 360
	Laptop = 1100
	High   = 900
)

// Need skips by name what is not installed, or fails when nothing may be skipped.
func Need(t *testing.T, what string, err error) {
	t.Helper()
	if err == nil {
		return
	}
	if os.Getenv("MUSTER_TEST_ALL") == "1" {
		t.Fatalf("%s: %v", what, err)
	}
	t.Skipf("%s is not installed: %v", what, err)
}

// Browser opens a tab of Debian's Chromium. Its context ends with the test, or after twenty-five minutes.
func Browser(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	Need(t, "chromium", err)
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-dev-shm-usage", true),
		chromedp.WSURLReadTimeout(2*time.Minute))
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("start chromium: %v", err)
	}
	ctx, cancel = context.WithTimeout(ctx, 25*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// Show opens a page in a window of a width, in the light or the dark scheme.
func Show(t *testing.T, ctx context.Context, to string, width int64, dark bool) {
	t.Helper()
	show(t, ctx, to, width, High, dark)
}

func show(t *testing.T, ctx context.Context, to string, width, high int64, dark bool) {
	t.Helper()
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	media := chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	})
	// The driver now and then misses that a live page with much traffic has loaded; what is asserted of the page
	// comes after.
	var err error
	for limit := 30 * time.Second; limit < 5*time.Minute; limit *= 2 {
		try, cancel := context.WithTimeout(ctx, limit)
		err = chromedp.Do(try, chromedp.EmulateViewport(width, high), media, chromedp.Navigate(to))
		cancel()
		if !errors.Is(err, context.DeadlineExceeded) {
			break
		}
	}
	Must(t, err)
}

// Must ends the test with an error.
func Must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// Script evaluates an expression on the page; a promise is waited for.
func Script[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, chromedp.EvalAwaitPromise))
	Must(t, err)
	return v
}

// Poll waits until an expression is true on the page.
func Poll(t *testing.T, ctx context.Context, expression string) {
	t.Helper()
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool](expression, chromedp.WithPollingTimeout(5*time.Minute))); err != nil {
		t.Fatalf("waiting for %s: %v", expression, err)
	}
}

// Axe finds the accessibility engine: MUSTER_AXE, or npm's own folders.
func Axe(t *testing.T) string {
	t.Helper()
	file := os.Getenv("MUSTER_AXE")
	if file == "" {
		root, err := exec.Command("npm", "root", "-g").Output()
		Need(t, "npm", err)
		file = filepath.Join(strings.TrimSpace(string(root)), "axe-core", "axe.min.js")
	}
	text, err := os.ReadFile(file)
	Need(t, "axe-core (npm install -g axe-core, or MUSTER_AXE=…/axe.min.js)", err)
	return string(text)
}

// Pictures puts a picture of each page, in both widths and both schemes, into a folder: so much of it from the top. The pages are paths
// by name.
func Pictures(t *testing.T, ctx context.Context, base string, pages map[string]string, dir string, high int64) {
	t.Helper()
	for _, name := range slices.Sorted(maps.Keys(pages)) {
		for _, width := range []int64{Phone, Laptop} {
			for _, dark := range []bool{false, true} {
				show(t, ctx, base+pages[name], width, high, dark)
				Must(t, chromedp.Do(ctx, chromedp.Sleep(time.Second))) // fonts and the first event need a moment
				picture, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
				Must(t, err)
				picture, err = small(picture, int(high))
				Must(t, err)
				file := filepath.Join(dir, fmt.Sprintf("%s-%d%s.png", name, width, map[bool]string{true: "-dark"}[dark]))
				Must(t, os.WriteFile(file, picture, 0o644))
			}
		}
	}
}

// Tidy holds a page to a packaged HTML checker.
func Tidy(t *testing.T, page []byte) {
	t.Helper()
	tidy, err := exec.LookPath("tidy")
	Need(t, "tidy", err)
	cmd := exec.Command(tidy, "-quiet", "-errors", "-utf8", "--drop-empty-elements", "no")
	cmd.Stdin = bytes.NewReader(page)
	var out bytes.Buffer
	cmd.Stderr = &out
	err = cmd.Run()
	for line := range strings.Lines(out.String()) {
		// ARIA 1.1, HTML Media Capture, links in a drawing and the keyboard of a field are newer than the checker.
		_, attribute, _ := strings.Cut(strings.TrimSpace(line), `proprietary attribute `)
		if !slices.Contains([]string{`"aria-current"`, `"capture"`, `"href"`, `"inputmode"`}, attribute) {
			t.Error(strings.TrimSpace(line))
		}
	}
	if _, exit := errors.AsType[*exec.ExitError](err); err != nil && !exit {
		t.Error(err)
	}
}
