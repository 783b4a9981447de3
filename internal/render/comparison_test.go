package render

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/check"
	"muster/internal/hosttest"
	"muster/internal/snapshot"
)

func TestComparisonGolden(t *testing.T) {
	c := decoded[snapshot.Comparison](t, hosttest.Testdata(t, "evidence/comparison.json"))
	golden(t, "comparison.txt", func(w io.Writer) error { return ComparisonText(w, c, false) })
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

// TestLikeFindings: like findings of one class are one line, with each of them on demand, and always in HTML.
func TestLikeFindings(t *testing.T) {
	change := func(class snapshot.Class, severity check.Severity, id, summary string) snapshot.Change {
		return snapshot.Change{Class: class, Severity: severity, After: id, Summary: summary}
	}
	c := &snapshot.Comparison{Changes: []snapshot.Change{
		change(snapshot.FindingNew, check.Info, "multiple-sources", "depth has 2 sources"), change(snapshot.FindingNew, check.Warning, "silent", "A is silent"),
		change(snapshot.FindingNew, check.Info, "multiple-sources", "heading has 3 sources"), change(snapshot.Moved, check.Info, "40", "A moved"),
		change(snapshot.FindingRemaining, check.Info, "multiple-sources", "wind has 2 sources"), change(snapshot.Moved, check.Info, "40", "B moved"),
	}}
	for _, explain := range []bool{false, true} {
		var b bytes.Buffer
		if err := ComparisonText(&b, c, explain); err != nil {
			t.Fatal(err)
		}
		each, hint := "", "\nEach of like findings: --explain.\n"
		if explain {
			each, hint = "              depth has 2 sources\n              heading has 3 sources\n", ""
		}
		_, got, _ := strings.Cut(b.String(), "\nAddress")
		if want := " changed\n  info      A moved\n  info      B moved\n\nNew findings\n  warning   A is silent\n" +
			"  info      2 quantities have several sources or copies\n" + each + "\nOpen findings\n  info      wind has 2 sources\n" + hint; got != want {
			t.Error(cmp.Diff(want, got))
		}
	}
	var b bytes.Buffer
	if err := ComparisonHTML(&b, c); err != nil {
		t.Fatal(err)
	}
	if want := "<td>2 quantities have several sources or copies<ul><li>depth has 2 sources</li><li>heading has 3 sources</li></ul></td>"; !strings.Contains(b.String(), want) {
		t.Errorf("no %s", want)
	}
}
