package record

import (
	_ "embed"
	"encoding/base64"
	"fmt"
	"io"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/paper"
)

//go:embed record.css
var style string

// WriteHTML writes the record as one page that stands alone and prints well.
func (r *Record) WriteHTML(w io.Writer) error {
	page := paper.Page(strings.TrimSuffix(r.Title()+": "+r.Boat.Name, ": "), style,
		r.Job.Letterhead(),
		h.H1(g.Text(r.Title())),
		paper.Facts(r.facts()...),
		h.H2(g.Text("Devices and their software")), r.devices(),
		r.steps(),
		items("What was found", r.Found),
		items("What was put right", r.Resolved),
		items("What remains, and why", r.Remains),
		items("What is new since", r.Fresh),
		paper.Section("Other changes", r.Changes),
		h.H2(g.Text("Network")), r.network(),
		paper.Section("Notes", r.Job.Notes),
		paper.Section("Cautions", r.Cautions),
		h.H2(g.Text("Proof")),
		h.P(r.Before.shown("Before"), h.Br(), g.Text("\n"), r.After.shown("After")),
		h.P(h.Small(g.Text(howToCheck))))
	if err := paper.Write(w, page); err != nil {
		return fmt.Errorf("write service record: %w", err)
	}
	return nil
}

// Letterhead is the head of a page: the shop, and its logo within the page, so that the page stands alone.
func (j *Job) Letterhead() g.Node {
	shop := []g.Node{h.P(h.Strong(g.Text(j.Shop.Name)))}
	for _, line := range j.Shop.Address {
		shop = append(shop, h.P(g.Text(line)))
	}
	if j.Shop.Contact != "" {
		shop = append(shop, h.P(g.Text(j.Shop.Contact)))
	}
	return h.Header(paper.Block(h.Div(shop...), g.Iff(j.Logo != nil, func() g.Node {
		return h.Img(h.Src("data:image/"+j.Logo.Format+";base64,"+base64.StdEncoding.EncodeToString(j.Logo.Data)), h.Alt(j.Shop.Name))
	})))
}

func (r *Record) devices() g.Node {
	groups := g.Map(r.Groups, func(x Group) g.Node {
		rows := g.Map(x.Devices, func(d Row) g.Node { return paper.Row(d.Device, d.Serial, d.Before, d.After, d.Remark) })
		return h.TBody(paper.Block(h.Tr(h.Th(h.Scope("rowgroup"), h.ColSpan("5"), g.Text(x.Role))), paper.Lines(rows...)))
	})
	return table([]string{"device", "serial", "before", "after", "remark"}, groups...)
}

// steps is the work order as it was followed; nil for none.
func (r *Record) steps() g.Node {
	if len(r.Steps) == 0 {
		return nil
	}
	rows := g.Map(r.Steps, func(s Step) g.Node { return paper.Row(s.Title, s.State, s.Began, s.Ended, s.Note) })
	return paper.Lines(h.H2(g.Text("Work order")),
		table([]string{"step", "result", "began", "ended", "note"}, h.TBody(paper.Lines(rows...))))
}

func (r *Record) network() g.Node {
	rows := g.Map(r.Network, func(f Figure) g.Node { return paper.Row(f.Name, f.Before, f.After) })
	return table([]string{"figure", "before", "after"}, h.TBody(paper.Lines(rows...)))
}

// table is a table whose columns are named again on each sheet of paper.
func table(columns []string, bodies ...g.Node) g.Node {
	return h.Table(paper.Block(h.THead(paper.Columns(columns...)), paper.Lines(bodies...)))
}

// items are findings under a heading; nil for none.
func items(title string, of []Item) g.Node {
	if len(of) == 0 {
		return nil
	}
	return paper.Lines(h.H2(g.Text(title)), h.Ul(paper.Block(g.Map(of, func(x Item) g.Node {
		return h.Li(g.Text(string(x.Severity)+": "+x.Summary), g.If(x.Note != "", g.Group{g.Text(" "), h.Small(g.Text(x.Note))}))
	})...)))
}

// shown says when a snapshot was taken, and what anybody can hold it against.
func (m Moment) shown(which string) g.Node {
	signed := g.If(m.Signed != "", g.Group{g.Text(", signed by "), h.Code(g.Text(m.Signed))})
	return g.Group{g.Textf("%s: taken %s, SHA-256 ", which, m.Taken), h.Code(g.Text(m.SHA256)), signed, g.Text(".")}
}
