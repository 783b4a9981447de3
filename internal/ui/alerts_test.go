package ui

import (
	"strings"
	"testing"

	"muster/internal/check"
	"muster/internal/render"
	"muster/internal/snapshot"
)

// TestChangeList: like findings of a comparison are one line with each of them below it; other changes are a line each.
func TestChangeList(t *testing.T) {
	change := func(class snapshot.Class, id, summary string) snapshot.Change {
		return snapshot.Change{Class: class, Severity: check.Info, After: id, Summary: summary}
	}
	list := func(of ...snapshot.Change) string {
		var b strings.Builder
		if err := ChangeList(render.Changes{Changes: of}).Render(&b); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	like := list(change(snapshot.FindingNew, "silent", "A <is> silent"), change(snapshot.FindingNew, "silent", "B is silent"))
	for _, want := range []string{"2 units are silent", `id="changes-finding-new-silent-info"`, "Each of 2 findings", "<li>A &lt;is&gt; silent</li>", "<li>B is silent</li>"} {
		if !strings.Contains(like, want) {
			t.Errorf("no %q in %s", want, like)
		}
	}
	if moved := list(change(snapshot.Moved, "40", "A moved"), change(snapshot.Moved, "40", "B moved")); strings.Contains(moved, "<details") || !strings.Contains(moved, "B moved") {
		t.Error(moved)
	}
}
