package pages

import (
	"fmt"
	"slices"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/locate"
	"muster/internal/render"
	"muster/internal/ui"
)

// chances are the probabilities of the places on the drawing, and that of the interface, which is not on it.
func (p *faultPage) chances() (l *render.Likely, own render.Chance) {
	layout := p.Plan.Layout()
	points, drops := layout.Line(), layout.Drops()
	l = &render.Likely{Points: make([]render.Chance, len(points)), Cables: make([]render.Chance, len(layout.Segments)),
		Units: map[[2]string]render.Chance{}, Href: p.tapped, Chosen: p.Place}
	parts := locate.Parts(layout)
	for _, x := range p.Result.Places {
		part := parts[slices.IndexFunc(parts, func(o locate.Part) bool { return o.Name == x.Part })]
		switch part.Kind {
		case "interface":
			own = joined(own, x)
		case "cable":
			l.Cables[part.I] = joined(l.Cables[part.I], x)
		case "drop", "connector", "unit":
			d := drops[part.I]
			key := [2]string{d.At, d.Device}
			l.Units[key] = joined(l.Units[key], x)
		default:
			k := slices.Index(points, part.At)
			l.Points[k] = joined(l.Points[k], x)
		}
	}
	return l, own
}

// joined adds what is said of a part to its place.
func joined(c render.Chance, x locate.Place) render.Chance {
	words := fmt.Sprintf("%s %s %s", strings.Fields(x.Part)[0], x.Fault, percent(x.Probability))
	if c.Words != "" {
		words = c.Words + ", " + words
	}
	return render.Chance{Share: min(.98, c.Share+x.Probability), Words: words}
}

// line is the drawing of the backbone, coloured by probability.
func (p *faultPage) line(v *view) g.Node {
	likely, own := p.chances()
	d := drawing{render.LiveDrawing{Audit: p.Plan.Now(v.Report), Report: v.Report, Likely: likely}, p.Network}
	return g.Group{d.node(), g.If(own.Share > 0, h.P(h.Class("links"), g.Text("muster's interface "), chance(own), ui.Small(boat.Printable(own.Words))))}
}

// chance is a probability as shape, width and figure; nothing where it is none.
func chance(c render.Chance) g.Node {
	if c.Share == 0 {
		return nil
	}
	shape := map[string]string{"most": "critical", "some": "warning", "few": "info"}[c.Class()]
	return g.Group{ui.Space, h.Span(h.Class("chance "+c.Class()), ui.Mark(shape),
		h.SVG(g.Attr("viewBox", "0 0 100 10"), h.Aria("hidden", "true"), ui.Drawn("rect", "width", fmt.Sprintf("%.0f", max(2, 100*c.Share)), "height", "10")),
		g.Text(" "+c.Figure()+" "))}
}

// percent is a probability in whole per cent.
func percent(p float64) string { return render.Chance{Share: p}.Figure() }
