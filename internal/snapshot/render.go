package snapshot

import (
	"fmt"
	"io"
	"strings"

	"muster/internal/boat"
	"muster/internal/event"
)

// ClassTitles says in words what each class of change is, in report order.
var classTitles = []struct {
	class Class
	title string
}{
	{Gone, "Gone"},
	{SettingsLost, "Back at factory defaults"},
	{Replaced, "Replaced"},
	{SoftwareChanged, "Software"},
	{InstanceChanged, "Instances"},
	{TextLost, "Installation text lost"},
	{TextChanged, "Installation text"},
	{MessageStopped, "No longer sent"},
	{SourceChanged, "Sources of data"},
	{Added, "New aboard"},
	{Moved, "Moved address"},
	{LoadChanged, "Load"},
	{FindingNew, "New findings"},
	{FindingRemaining, "Findings that remain"},
	{FindingResolved, "Findings put right"},
}

// Group is the changes of one class.
type Group struct {
	Title   string
	Changes []Change
}

// Groups sorts the changes by class, in report order, leaving out classes without a change.
func (c *Comparison) Groups() []Group {
	var out []Group
	for _, t := range classTitles {
		g := Group{Title: t.title}
		for _, x := range c.Changes {
			if x.Class == t.class {
				g.Changes = append(g.Changes, x)
			}
		}
		if len(g.Changes) > 0 {
			out = append(out, g)
		}
	}
	return out
}

// Worst is the highest severity among the changes, "" when there is none.
func (c *Comparison) Worst() boat.Severity {
	if len(c.Changes) == 0 {
		return ""
	}
	return c.Changes[0].Severity
}

// WriteText prints the comparison for a terminal.
func (c *Comparison) WriteText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n", boatLabel(c.Boat))
	fmt.Fprintf(&b, "before  %s  %s  %.12s\n", when(c.Before.TakenAt), devices(c.Before.Devices), c.Before.SHA256)
	fmt.Fprintf(&b, "after   %s  %s  %.12s\n", when(c.After.TakenAt), devices(c.After.Devices), c.After.SHA256)
	if len(c.Changes) == 0 {
		fmt.Fprintf(&b, "\nNothing changed.\n")
	}
	for _, g := range c.Groups() {
		fmt.Fprintf(&b, "\n%s\n", g.Title)
		for _, x := range g.Changes {
			fmt.Fprintf(&b, "  %-8s  %s\n", x.Severity, boat.Printable(x.Summary))
		}
	}
	if n := len(c.Unchanged); n > 0 {
		fmt.Fprintf(&b, "\n%s unchanged.\n", devices(n))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// when is a moment as people read it; the JSON has the source's own precision.
func when(t event.Time) string {
	if t == 0 {
		return "time unknown"
	}
	return t.UTC().Format("2006-01-02 15:04:05 UTC")
}

func devices(n int) string { return boat.Counted(n, "device", "devices") }
