package render

import (
	"cmp"
	_ "embed"
	"fmt"
	"io"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/check"
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

// Kind is one line of a class of changes.
type Kind struct {
	Severity check.Severity
	Line     string
	Of       []*snapshot.Change // the like findings that the line is about; nil when it is about one change
}

// Kinds are the lines of the class, like findings as one.
func (x Changes) Kinds() (list []Kind) {
	switch x.Changes[0].Class {
	case snapshot.FindingNew, snapshot.FindingRemaining, snapshot.FindingResolved, snapshot.FindingUnjudged:
	default:
		for i := range x.Changes {
			list = append(list, Kind{Severity: x.Changes[i].Severity, Line: x.Changes[i].Summary})
		}
		return list
	}
	of := func(c *snapshot.Change) string { return cmp.Or(c.After, c.Before) }
	for _, like := range check.Alike(x.Changes, func(c *snapshot.Change) (string, check.Severity) { return of(c), c.Severity }) {
		k := Kind{Severity: like[0].Severity, Line: like[0].Summary}
		if len(like) > 1 {
			k.Line, k.Of = check.Briefly(of(like[0]), len(like)), like
		}
		list = append(list, k)
	}
	return list
}

// BelongsLabel goes before the reason that a person gave for taking two snapshots as of one boat.
const BelongsLabel = "Taken as belonging together"

// SignersLabel goes before the reason that a person gave for taking snapshots that are not of one trusted signer.
const SignersLabel = "Accepted in spite of the signatures"

// signedLines tell by whom the two snapshots are signed.
func signedLines(s *snapshot.Signed) (lines []string) {
	if s == nil {
		return nil
	}
	if s.Before == s.After {
		lines = []string{"both " + s.Before}
	} else {
		lines = []string{"before: " + s.Before, "after: " + s.After}
	}
	if s.Because != "" {
		lines = append(lines, SignersLabel+": "+s.Because)
	}
	return lines
}

// ComparisonText prints a comparison for a terminal. Like findings are one line; with explain each is listed below it.
func ComparisonText(w io.Writer, c *snapshot.Comparison, explain bool) error {
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
	for _, line := range signedLines(c.Signed) {
		fmt.Fprintf(&b, "%s\n", boat.Printable(line))
	}
	if len(c.Changes) == 0 {
		fmt.Fprintf(&b, "\nNothing changed.\n")
	}
	folded := false
	for _, of := range ByClass(c) {
		fmt.Fprintf(&b, "\n%s\n", of.Title)
		for _, k := range of.Kinds() {
			fmt.Fprintf(&b, "  %-8s  %s\n", k.Severity, boat.Printable(k.Line))
			folded = folded || len(k.Of) > 0 && !explain
			for _, x := range k.Of {
				if explain {
					fmt.Fprintf(&b, "              %s\n", boat.Printable(x.Summary))
				}
			}
		}
	}
	if n := len(c.Unchanged); n > 0 {
		fmt.Fprintf(&b, "\n%s unchanged.\n", devices(n))
	}
	if folded {
		b.WriteString("\nEach of like findings: --explain.\n")
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
		Lines(g.Map(signedLines(c.Signed), func(line string) g.Node { return h.P(g.Text(line)) })...),
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
	return Lines(h.H2(g.Text(x.Title)), Table([]string{"severity", "change"}, g.Map(x.Kinds(), func(k Kind) g.Node {
		each := g.Iff(len(k.Of) > 0, func() g.Node {
			return h.Ul(g.Map(k.Of, func(c *snapshot.Change) g.Node { return h.Li(g.Text(boat.Printable(c.Summary))) }))
		})
		return h.Tr(h.Td(g.Text(string(k.Severity))), h.Td(g.Text(boat.Printable(k.Line)), each))
	})...))
}
