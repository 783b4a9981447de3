package ui

import (
	"encoding/json"
	"strings"
	"testing"

	"muster/internal/alert"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/report"
)

func line(name string, at ...float64) check.Line {
	l := check.Line{Name: name}
	for _, v := range at {
		l.At = append(l.At, &v)
	}
	return l
}

// TestPicture: an alert with series is drawn with both courses and their difference, said in words too, whether its evidence is fresh or
// was read from a report; where the pictures are left out, nothing of the series shows.
func TestPicture(t *testing.T) {
	headings := check.Series{Unit: "deg", From: event.Time(1_780_000_000e9), StepMS: 1000, Lines: []check.Line{line("can0/35", 350, 358, 4), line("B", 5, 13, 19)}}
	headings.Lines[1].At[0] = nil
	volts := check.Series{Unit: "V", From: event.Time(1_780_000_000e9), StepMS: 500, Lines: []check.Line{line("A", 12, 11.5, 11), line("limit", 11.5)}}
	for _, c := range []struct {
		name   string
		series check.Series
		want   []string
	}{
		{"a direction through north, and a gap", headings, []string{
			"can0/35 and B over 2 s: between 4 and 358 °, their difference between 0 and 15 °", `class="first" d="M52 `, "M356 "}},
		{"a limit", volts, []string{"A and limit over 1 s: between 11 and 12 V, their difference between -0.5 and 0.5 V"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			text, err := json.Marshal(map[string]any{check.SeriesKey: c.series, "tolerance": 10})
			if err != nil {
				t.Fatal(err)
			}
			var read map[string]any
			if err := json.Unmarshal(text, &read); err != nil {
				t.Fatal(err)
			}
			for _, evidence := range []map[string]any{{check.SeriesKey: c.series, "tolerance": 10}, read} {
				r := &report.Report{Alerts: []alert.Alert{{ID: "x", Check: "sources-disagree", Severity: check.Warning, State: alert.StatusOpen, Evidence: evidence}}}
				show := func(v *Showing) string {
					var b strings.Builder
					l := &AlertLists{Open: Alerts(r)}
					if err := AlertSection(v, l, "Alerts").Render(&b); err != nil {
						t.Fatal(err)
					}
					return b.String()
				}
				html := show(&Showing{Report: r})
				for _, want := range append(c.want, "their difference</span>") {
					if !strings.Contains(html, want) {
						t.Errorf("no %q in %s", want, html)
					}
				}
				if strings.Contains(html, ">series<") {
					t.Errorf("the series are among the facts: %s", html)
				}
				if strings.Contains(html, "step_ms") {
					t.Errorf("the evidence is not in words: %s", html)
				}
			}
		})
	}
	if s, ok := check.SeriesOf(map[string]any{check.SeriesKey: "rubbish"}); ok {
		t.Errorf("%+v", s)
	}
	if picture(&Showing{}, &check.Series{Lines: []check.Line{line("a"), line("b")}}) != nil {
		t.Error("a picture of nothing")
	}
}
