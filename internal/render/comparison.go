package render

import (
	_ "embed"
	"fmt"
	"io"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/snapshot"
)

//go:embed comparison.css
var comparisonStyle string

// classTitles are the words for each class of change, in report order.
var classTitles = []struct {
	class snapshot.Class
	title string
}{
	{snapshot.Gone, "Missing"},
	{snapshot.SettingsLost, "Back at factory defaults"},
	{snapshot.Replaced, "Replaced"},
	{snapshot.SoftwareChanged, "Software changed"},
	{snapshot.InstanceChanged, "Instance changed"},
	{snapshot.TextLost, "Installation text lost"},
	{snapshot.TextChanged, "Installation text changed"},
	{snapshot.MessageStopped, "Messages no longer sent"},
	{snapshot.SourceChanged, "Data source changed"},
	{snapshot.Added, "New devices"},
	{snapshot.Moved, "Address changed"},
	{snapshot.LoadChanged, "Load changed"},
	{snapshot.FindingNew, "New findings"},
	{snapshot.FindingRemaining, "Open findings"},
	{snapshot.FindingResolved, "Resolved findings"},
	{snapshot.FindingUnjudged, "Offline, not judged"},
}

// Changes is the changes of one class.
type Changes struct {
	Title   string
	Changes []snapshot.Change
}

// ByClass sorts a comparison's changes by class, in report order, leaving out classes without a change.
func ByClass(c *snapshot.Comparison) []Changes {
	var out []Changes
	for _, t := range classTitles {
		of := Changes{Title: t.title}
		for _, x := range c.Changes {
			if x.Class == t.class {
				of.Changes = append(of.Changes, x)
			}
		}
		if len(of.Changes) > 0 {
			out = append(out, of)
		}
	}
	return out
}

// BelongsLabel goes before the reason that a person gave for taking two snapshots as of one boat.
const BelongsLabel = "Taken as belonging together"

// ComparisonText prints a comparison for a terminal.
func ComparisonText(w io.Writer, c *snapshot.Comparison) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n", snapshot.Label(c.Boat))
	for _, side := range []struct {
		name string
		snapshot.Side
	}{{"before", c.Before}, {"after", c.After}} {
		fmt.Fprintf(&b, "%-6s  %s  %s  %.12s\n", side.name, second(side.TakenAt), devices(side.Devices), side.SHA256)
	}
	if c.Because != "" {
		fmt.Fprintf(&b, "%s: %s\n", BelongsLabel, boat.Printable(c.Because))
	}
	if len(c.Changes) == 0 {
		fmt.Fprintf(&b, "\nNothing changed.\n")
	}
	for _, of := range ByClass(c) {
		fmt.Fprintf(&b, "\n%s\n", of.Title)
		for _, x := range of.Changes {
			fmt.Fprintf(&b, "  %-8s  %s\n", x.Severity, boat.Printable(x.Summary))
		}
	}
	if n := len(c.Unchanged); n > 0 {
		fmt.Fprintf(&b, "\n%s unchanged.\n", devices(n))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// ComparisonHTML writes a comparison as one self-contained page that prints properly.
func ComparisonHTML(w io.Writer, c *snapshot.Comparison) error {
	title := "Comparison: " + snapshot.Label(c.Boat)
	page := Page(title, comparisonStyle,
		h.H1(g.Text(title)),
		h.Table(Block(sideFact("before", c.Before), sideFact("after", c.After))),
		g.If(c.Because != "", h.P(g.Text(BelongsLabel+": "+c.Because))),
		Lines(g.Map(ByClass(c), Changes.section)...),
		g.If(len(c.Changes) == 0, h.P(g.Text("Nothing changed."))),
		h.P(g.Text(devices(len(c.Unchanged))+" unchanged.")))
	if err := WritePage(w, page); err != nil {
		return fmt.Errorf("write comparison: %w", err)
	}
	return nil
}

// sideFact is the row about one of the two snapshots.
func sideFact(name string, s snapshot.Side) g.Node {
	return Fact(name, g.Text(second(s.TakenAt)+", "+devices(s.Devices)+", "), h.Code(g.Text(s.SHA256)))
}

// section is the heading and the table of one class of changes.
func (x Changes) section() g.Node {
	return Lines(h.H2(g.Text(x.Title)), Table([]string{"severity", "change"},
		rows(x.Changes, func(c snapshot.Change) []string { return []string{string(c.Severity), c.Summary} })...))
}
