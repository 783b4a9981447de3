package render

import (
	"bytes"
	"io"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/check"
	"muster/internal/hosttest"
	"muster/internal/snapshot"
)

func TestComparisonGolden(t *testing.T) {
	c := decoded[snapshot.Comparison](t, hosttest.Testdata(t, "evidence/comparison.json"))
	golden(t, "comparison.txt", func(w io.Writer) error { return ComparisonText(w, c) })
	golden(t, "comparison.html", func(w io.Writer) error { return ComparisonHTML(w, c) })
}

// TestEveryChangeIsTold: no class of change is left out of what is printed.
func TestEveryChangeIsTold(t *testing.T) {
	classes := []snapshot.Class{snapshot.SoftwareChanged, snapshot.Replaced, snapshot.Gone, snapshot.Added, snapshot.Moved, snapshot.InstanceChanged,
		snapshot.TextLost, snapshot.TextChanged, snapshot.SettingsLost, snapshot.MessageStopped, snapshot.SourceChanged, snapshot.LoadChanged,
		snapshot.FindingResolved, snapshot.FindingRemaining, snapshot.FindingNew, snapshot.FindingUnjudged}
	c := &snapshot.Comparison{}
	for _, class := range classes {
		c.Changes = append(c.Changes, snapshot.Change{Class: class, Severity: check.Info})
	}
	if got := ByClass(c); len(got) != len(classes) {
		t.Errorf("%d classes are printed of %d", len(got), len(classes))
	}
}

func TestHistories(t *testing.T) {
	later := noon.Add(3 * time.Hour)
	var b bytes.Buffer
	if err := Histories(&b, []snapshot.History{
		{Label: "LF9 display (H-1)", Runs: []snapshot.Run{{Version: "4.47", From: noon, To: noon}, {Version: "4.5\x1b", From: later, To: later}}},
		{Label: "SD2 sounder (S-7)", Runs: []snapshot.Run{{Version: "1.2", To: later}}},
		{Label: "GW3 wind"},
	}); err != nil {
		t.Fatal(err)
	}
	want := `LF9 display (H-1)
  4.47              2026-05-04 12:00:00 UTC to 2026-05-04 12:00:00 UTC
  4.5\x1b           2026-05-04 15:00:00 UTC to 2026-05-04 15:00:00 UTC
SD2 sounder (S-7)
  1.2               time unknown to 2026-05-04 15:00:00 UTC
GW3 wind
  version not reported
`
	if diff := cmp.Diff(want, b.String()); diff != "" {
		t.Error(diff)
	}
}
