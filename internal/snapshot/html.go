package snapshot

import (
	_ "embed"
	"fmt"
	"io"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/paper"
)

//go:embed comparison.css
var comparisonStyle string

// WriteHTML writes the comparison as one page that stands alone and prints well.
func (c *Comparison) WriteHTML(w io.Writer) error {
	title, groups := "Comparison: "+boatLabel(c.Boat), c.Groups()
	page := paper.Page(title, comparisonStyle,
		h.H1(g.Text(title)),
		h.Table(paper.Block(c.Before.fact("before"), c.After.fact("after"))),
		paper.Lines(g.Map(groups, Group.section)...),
		g.If(len(groups) == 0, h.P(g.Text("Nothing changed."))),
		h.P(g.Text(devices(len(c.Unchanged))+" unchanged.")))
	if err := paper.Write(w, page); err != nil {
		return fmt.Errorf("write comparison: %w", err)
	}
	return nil
}

// fact is the row about one of the two snapshots.
func (s Side) fact(name string) g.Node {
	return paper.Fact(name, g.Text(when(s.TakenAt)+", "+devices(s.Devices)+", "), h.Code(g.Text(s.SHA256)))
}

// section is the heading and the table of one class of changes.
func (x Group) section() g.Node {
	rows := g.Map(x.Changes, func(c Change) g.Node { return paper.Row(string(c.Severity), c.Summary) })
	return paper.Lines(h.H2(g.Text(x.Title)), paper.Table([]string{"severity", "change"}, rows...))
}
