package ui

import (
	"testing"
	"time"

	"muster/internal/render"
)

// TestMeasured: the texts of a page are converted; what is verbatim, attributes and what a person wrote are not.
func TestMeasured(t *testing.T) {
	feet := render.ChooseMeasures(func(_, option string) bool { return option == "ft" || option == "f" })
	for in, want := range map[string]string{
		`<p title="3 m">3 m</p>`:                                      `<p title="3 m">9.8 ft</p>`,
		`<svg><text x="3">3 m</text></svg>`:                           `<svg><text x="3">9.8 ft</text></svg>`,
		`<pre>3 m</pre><textarea>3 m</textarea><b>3 m</b>`:            `<pre>3 m</pre><textarea>3 m</textarea><b>9.8 ft</b>`,
		`<p translate="no">3 m <p>3 m</p> 3 m</p>3 m`:                 `<p translate="no">3 m <p>3 m</p> 3 m</p>9.8 ft`,
		`<span data-apart="">10 °C</span> <span>10 °C</span>`:         `<span data-apart="">18 °F</span> <span>50 °F</span>`,
		`<select><option>3 m</option></select><input value="3 m">3 m`: `<select><option>3 m</option></select><input value="3 m">9.8 ft`,
		`2026-05-04 08:00:00 UTC <p`:                                  `4 May 2026 09:00 CET <p`,
		``:                                                            ``,
	} {
		if got := string(Measured([]byte(in), feet, time.FixedZone("CET", 3600))); got != want {
			t.Errorf("%s\nis   %s\nwant %s", in, got, want)
		}
	}
	page := []byte("<p>3 m</p>")
	if got := Measured(page, render.Measures{}, nil); &got[0] != &page[0] {
		t.Error("a page without a choice is copied")
	}
}
