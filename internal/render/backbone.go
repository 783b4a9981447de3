package render

import (
	_ "embed"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/backbone"
	"muster/internal/job"
)

//go:embed backbone.css
var backboneStyle string

const nothingFound = "No findings."

func coverageCells(c backbone.Covered) []string {
	return []string{c.Quantity, c.State, strings.Join(c.From, ", "), c.Note}
}

var coverageColumns = []string{"quantity", "state", "from", "note"}

func commissioningTitle(of *job.Job) string {
	return strings.TrimSpace("Commissioning report " + of.Number)
}

// BackboneHTML writes an audit as one self-contained page that prints properly, with a picture to scale. A job makes
// it a commissioning report; it may be nil.
func BackboneHTML(w io.Writer, a *backbone.Audit, of *job.Job) error {
	title, heading := "Backbone", "Backbone"
	if of == nil {
		of = new(job.Job)
	} else {
		title = commissioningTitle(of)
		heading = title
	}
	if a.Boat != "" {
		title, heading = title+": "+a.Boat, heading+" of "+a.Boat
	}
	facts := jobFacts(of)
	page := Page(title, backboneStyle,
		g.If(of.Shop.Name != "" || of.Logo != nil, letterhead(of)),
		h.H1(g.Text(heading)),
		g.If(len(facts) > 0, Facts(facts...)),
		h.Figure(h.Class("picture"), h.Role("region"), h.Aria("label", "Picture of the backbone"), h.TabIndex("0"), BackbonePicture(a)), // narrow screens scroll it
		h.H2(g.Text("Figures")), Facts(BackboneFigures(a)...),
		h.H2(g.Text("Findings")), backboneFindings(a.Findings),
		Section("Compared with the network", LiveLines(a.Live)),
		g.If(len(a.Coverage) > 0, Lines(h.H2(g.Text("Required data")), Table(coverageColumns, rows(a.Coverage, coverageCells)...))),
		Section("Notes", of.Notes),
		Section("Cautions", slices.Concat(a.Cautions, of.Cautions)),
		Section("Where the figures come from", a.Sources))
	if err := WritePage(w, page); err != nil {
		return fmt.Errorf("write backbone audit: %w", err)
	}
	return nil
}

func backboneFindings(all []backbone.Finding) g.Node {
	if len(all) == 0 {
		return h.P(g.Text(nothingFound))
	}
	return Table([]string{"severity", "finding and remedy"}, g.Map(all, func(f backbone.Finding) g.Node {
		return h.Tr(h.Td(h.Class("short"), g.Text(string(f.Severity))), h.Td(g.Text(f.Summary), Remedy(f.Steps, true)))
	})...)
}

// BackbonePDF writes the commissioning report. made is the creation date in the file.
func BackbonePDF(w io.Writer, a *backbone.Audit, of *job.Job, made time.Time) error {
	title := commissioningTitle(of)
	d := NewDocument(title, strings.TrimSuffix(title+" · "+a.Boat, " · "), made)
	d.Head(of)
	d.Heading(title)
	d.Facts(26, append([][2]string{{"Boat", a.Boat}}, jobFacts(of)...)...)
	d.Title("Figures")
	d.Facts(50, BackboneFigures(a)...)
	d.Title("Along the backbone")
	d.Draw(backboneDrawing(a))
	d.Table([]float64{20, 60, 40}, []string{"from the end", "point, device", "voltage", "cable to the next point"}, alongCells(a))
	if len(a.Coverage) > 0 {
		d.Title("Required data")
		d.Table([]float64{46, 22, 60}, coverageColumns, cells(a.Coverage, coverageCells))
	}
	d.List("Compared with the network", LiveLines(a.Live))
	findings := []string{nothingFound}
	if len(a.Findings) > 0 {
		findings = nil
	}
	for _, f := range a.Findings {
		findings = append(findings, string(f.Severity)+": "+f.Summary+". "+RemedyLabel+": "+strings.Join(RemedyLines(f.Steps), " "))
	}
	d.List("Findings", findings)
	d.List("Notes", of.Notes)
	d.List("Cautions", slices.Concat(a.Cautions, of.Cautions))
	d.List("Where the figures come from", a.Sources)
	if err := d.Output(w); err != nil {
		return fmt.Errorf("write PDF: %w", err)
	}
	return nil
}

// alongCells are the points of the backbone, each with its drop cables below it.
func alongCells(a *backbone.Audit) [][]string {
	arrows := strings.NewReplacer("↑", "back", "↓", "on")
	var out [][]string
	for _, p := range AlongBackbone(a) {
		out = append(out, []string{fmt.Sprintf("%.1f m", p.Metres), p.Name, p.Words, arrows.Replace(p.Onward)})
		for _, o := range p.Outlets {
			out = append(out, []string{"", "  " + o.Device, Volts(o.Volts), Drop(o)})
		}
	}
	return out
}
