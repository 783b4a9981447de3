package webtest

import (
	"bytes"
	"context"
	"fmt"
	"os/exec"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

const axeRun = `axe.run(document, {resultTypes: ["violations"]}).then(r => r.violations.filter(v => v.impact === "serious" || v.impact === "critical")
	.map(v => v.id + ": " + v.help + " at " + v.nodes.slice(0, 3).map(n => n.target + " " + n.failureSummary).join("; ")))`

// Hold opens a page in both widths and both schemes, with all that is folded away opened: nothing reaches beyond the
// window, and axe finds nothing serious; on a phone with letters of twice the size, of tables only the last columns do.
// Then it goes through the page by the keyboard, and prints it.
func Hold(t *testing.T, ctx context.Context, engine, to string) {
	t.Helper()
	for _, width := range []int64{Phone, Laptop} {
		for _, dark := range []bool{false, true} {
			Show(t, ctx, to, width, dark)
			Script[int](t, ctx, "document.querySelectorAll('details').forEach(e => e.open = true), 0")
			if wide := Script[int64](t, ctx, "Math.max(document.documentElement.scrollWidth, document.body.scrollWidth)"); wide > width {
				t.Errorf("%d px wide, the window has %d", wide, width)
			}
			for _, what := range Script[[]string](t, ctx, "("+beyond+")('svg')") {
				t.Errorf("at %d px %s goes beyond the window", width, what)
			}
			Script[int](t, ctx, engine+"; 0")
			for _, f := range Script[[]string](t, ctx, axeRun) {
				t.Errorf("at %d px, dark %v: %s", width, dark, f)
			}
		}
	}
	Show(t, ctx, to, Phone, false)
	Script[int](t, ctx, "document.documentElement.style.fontSize = '200%', document.querySelectorAll('details').forEach(e => e.open = true), 0")
	for _, what := range Script[[]string](t, ctx, "("+beyond+")('table, .picture, .file')") {
		t.Errorf("with letters of twice the size %s goes beyond the window", what)
	}
	byKeyboard(t, ctx, to)
	printed(t, ctx, to)
}

// beyond lists what is cut off at the right although the page does not scroll, apart from what may be.
const beyond = `(apart) => [...document.querySelectorAll("main *, header *, footer *")]
	.filter(e => e.checkVisibility() && !e.closest(".hidden, .skip, svg") && !e.closest(apart) && e.getBoundingClientRect().right > innerWidth + 0.5)
	.slice(0, 3).map(e => e.tagName + "." + e.className + " " + e.textContent.slice(0, 40))`

// freeze keeps a live page as it is, also when it is being fetched already.
const freeze = "window.fetch = () => new Promise(() => {}), DOMParser.prototype.parseFromString = () => new Document(), 0"

// reachable lists what a keyboard must reach, one for each group of radio buttons, and marks it.
const reachable = `[...document.querySelectorAll("a[href], button, input, select, summary, [role=button]")]
	.filter(e => e.checkVisibility() && e.type !== "hidden" && !(e.type === "radio" && !e.checked))
	.map((e, i) => (e.dataset.reach = i, e.textContent.trim().slice(0, 30) || e.name))`

// byKeyboard goes through the page with the tabulator alone: everything is reached, and shows that it is.
func byKeyboard(t *testing.T, ctx context.Context, to string) {
	t.Helper()
	Show(t, ctx, to, Phone, false)
	Script[int](t, ctx, freeze)
	all := Script[[]string](t, ctx, reachable)
	seen := map[string]bool{}
	for range len(all) + 5 {
		Must(t, chromedp.Do(ctx, chromedp.KeyEvent("\t")))
		at := Script[string](t, ctx, "(e => (e.dataset.reach || '') + (getComputedStyle(e).outlineStyle === 'none' ? ' unseen ' + e.outerHTML.slice(0, 80) : ''))(document.activeElement)")
		reach, unseen, _ := strings.Cut(at, " unseen ")
		if seen[reach] = true; reach != "" && unseen != "" {
			t.Errorf("the keyboard is at %s, which does not show it", unseen)
		}
	}
	for i, what := range all {
		if !seen[fmt.Sprint(i)] {
			t.Errorf("the keyboard does not reach %q", what)
		}
	}
}

// toPrint lists what must be on paper, as far as a line holds it.
const toPrint = `[...document.querySelectorAll("main h1, main h2, main h3, main summary, main table thead th, details:not(.act) li b")]
	.filter(e => !e.closest("form:not(.kept), details:has(> form:not(.kept)), .act, .said") && getComputedStyle(e).display !== "none").map(e => e.textContent.replace(/\s+/g, " ").trim().slice(0, 24).trim())`

// printed prints the page, as poppler reads it: its text is there, folded away or not, and no form does.
func printed(t *testing.T, ctx context.Context, to string) {
	t.Helper()
	pdftotext, err := exec.LookPath("pdftotext")
	Need(t, "pdftotext (poppler-utils)", err)
	Show(t, ctx, to, Laptop, true)
	Script[int](t, ctx, freeze)
	wanted := Script[[]string](t, ctx, toPrint)
	pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF())
	Must(t, err)
	cmd := exec.Command(pdftotext, "-q", "-raw", "-", "-")
	cmd.Stdin = bytes.NewReader(pdf)
	out, err := cmd.Output()
	Must(t, err)
	text := strings.ToLower(strings.Join(strings.Fields(string(out)), " ")) // the style changes the case
	for _, want := range wanted {
		if !strings.Contains(text, strings.ToLower(want)) {
			t.Errorf("the print lacks %q", want)
		}
	}
	for _, bad := range []string{"Skip to the content", "Your name"} {
		if strings.Contains(text, strings.ToLower(bad)) {
			t.Errorf("the print holds %q", bad)
		}
	}
}
