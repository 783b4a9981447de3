package render

import (
	"io"
	"testing"


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
