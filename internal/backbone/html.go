package backbone

import (
	_ "embed"
	"fmt"
	"io"
	"slices"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/paper"
	"muster/internal/record"
)

//go:embed backbone.css
var style string

// WriteHTML writes the audit as one page that stands alone and prints well, with a picture to scale. A job makes it a commissioning report;
// it may be nil.
func (a *Audit) WriteHTML(w io.Writer, job *record.Job) error {
	title, heading, of := "Backbone", "Backbone", record.Job{}
	if job != nil {
		title, of = reportTitle(job), *job
		heading = title
	}
	if a.Boat != "" {
		title, heading = title+": "+a.Boat, heading+" of "+a.Boat
	}
	facts := of.Facts()
	page := paper.Page(title, style,
		g.If(of.Shop.Name != "" || of.Logo != nil, of.Letterhead()),
		h.H1(g.Text(heading)),
		g.If(len(facts) > 0, paper.Facts(facts...)),
		h.Figure(h.Class("picture"), h.Role("region"), h.Aria("label", "Picture of the backbone"), h.TabIndex("0"), a.Picture()), // narrow screens scroll it
		h.H2(g.Text("Figures")), paper.Facts(a.Figures()...),
		h.H2(g.Text("Findings")), a.findings(),
		paper.Section("Against the live network", a.Live.Lines()),
		a.data(),
		paper.Section("Notes", of.Notes),
		paper.Section("Cautions", slices.Concat(a.Cautions, of.Cautions)),
		paper.Section("Where the figures come from", a.Sources))
	if err := paper.Write(w, page); err != nil {
		return fmt.Errorf("write backbone audit: %w", err)
	}
	return nil
}

func (a *Audit) findings() g.Node {
	if len(a.Findings) == 0 {
		return h.P(g.Text("Nothing breaks a rule."))
	}
	return paper.Table([]string{"severity", "finding", "what to do"}, g.Map(a.Findings, func(f Finding) g.Node {
		return h.Tr(h.Td(h.Class("short"), g.Text(string(f.Severity))), h.Td(g.Text(f.Summary)), h.Td(g.Text(f.Remedy)))
	})...)
}

// data is where each quantity comes from that the layout wants; nil when it wants none.
func (a *Audit) data() g.Node {
	if len(a.Coverage) == 0 {
		return nil
	}
	rows := g.Map(a.Coverage, func(c Covered) g.Node { return paper.Row(c.Quantity, c.State, strings.Join(c.From, ", "), c.Note) })
	return paper.Lines(h.H2(g.Text("Data")), paper.Table([]string{"quantity", "state", "from", "note"}, rows...))
}
