package render

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jedib0t/go-pretty/v6/text"

	"muster/internal/report"
	"muster/internal/ui/webtest"
)

func sampleReport(t *testing.T) *report.Report {
	t.Helper()
	return webtest.Sample(t)
}

func TestTextReport(t *testing.T) {
	for _, tt := range []struct {
		name  string
		style TextStyle
	}{{"wide", TextStyle{}}, {"120", TextStyle{Width: 120}}, {"60", TextStyle{Width: 60}}} {
		t.Run(tt.name, func(t *testing.T) {
			var out bytes.Buffer
			if err := ReportText(&out, sampleReport(t), tt.style); err != nil {
				t.Fatal(err)
			}
			golden := filepath.Join("testdata", "report-"+tt.name+".txt")
			if *update {
				if err := os.WriteFile(golden, out.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(string(want), out.String()); d != "" {
				t.Error(d)
			}
			for l := range strings.SplitSeq(out.String(), "\n") {
				if w := text.StringWidth(l); tt.style.Width > 0 && w > tt.style.Width {
					t.Errorf("%d columns: %s", w, l)
				}
			}
			if strings.ContainsAny(out.String(), "\x1b\u202e") {
				t.Error("text of a device steers the terminal")
			}
		})
	}
}

// TestColour: colour adds nothing that the words do not give.
func TestColour(t *testing.T) {
	text.EnableColors()
	var plain, coloured bytes.Buffer
	if err := ReportText(&plain, sampleReport(t), TextStyle{Width: 120}); err != nil {
		t.Fatal(err)
	}
	if err := ReportText(&coloured, sampleReport(t), TextStyle{Width: 120, Colour: true}); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(coloured.String(), "\x1b[") {
		t.Error("no colour")
	}
	if d := cmp.Diff(plain.String(), text.StripEscape(coloured.String())); d != "" {
		t.Error(d)
	}
}

// TestEvidenceTimes: a time of a list reads as a single one.
func TestEvidenceTimes(t *testing.T) {
	if got := EvidenceValue([]any{"2026-11-26T06:42:21.248891637Z", "2.10"}); got != "2026-11-26 06:42:21 UTC, 2.10" {
		t.Error(got)
	}
}
