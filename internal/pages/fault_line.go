package pages

import (
	"fmt"
	"slices"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/locate"
	"muster/internal/ui"
)

// stretch is a place on the drawing of a backbone: a point, a unit at it, or the cable to the next. Its parts share what is said of it.
type stretch struct {
	kind, name string
	at         string // point of the backbone
	parts      []string
}

// stretches lists the places along the backbone, the interface last.
func (p *faultPage) stretches() (list []stretch) {
	l := p.Plan.Layout()
	points := l.Line()
	at := map[string]int{} // place of a point in the list
	for i, name := range points {
		at[name] = len(list)
		list = append(list, stretch{kind: "point", name: name, at: name})
		for _, d := range l.Drops() {
			if d.At == name {
				list = append(list, stretch{kind: "unit", at: name})
			}
		}
		if i < len(l.Segments) {
			g := l.Segments[i]
			list = append(list, stretch{kind: "cable", name: fmt.Sprintf("cable, %.1f m", float64(g.Length)), at: name})
		}
	}
	unit := -1
	for _, x := range locate.Parts(l) {
		k := at[x.At]
		switch x.Kind {
		case "drop":
			for unit = k + 1; len(list[unit].parts) > 0; unit++ {
			}
			list[unit].name, k = strings.TrimPrefix(x.Name, "drop "), unit
		case "connector", "unit":
			k = unit
		case "cable":
			for k++; list[k].kind == "unit"; k++ {
			}
		case "interface":
			list = append(list, stretch{kind: "interface", name: "muster's interface", at: points[0]})
			k = len(list) - 1
		}
		list[k].parts = append(list[k].parts, x.Name)
	}
	return list
}

// line is the drawing: the backbone runs down the page, each place as wide as its probability.
func (p *faultPage) line() g.Node {
	return h.Ol(h.Class("trunk"), g.Map(p.stretches(), func(s stretch) g.Node {
		sum := 0.0
		var words []string
		for _, x := range p.Result.Places {
			if slices.Contains(s.parts, x.Part) {
				sum += x.Probability
				words = append(words, fmt.Sprintf("%s %s %s", strings.Fields(x.Part)[0], x.Fault, percent(x.Probability)))
			}
		}
		sum = min(sum, .98)
		return h.Li(h.Class(strings.TrimSpace(s.kind+" "+weight(sum))), g.If(s.at == p.Place && s.kind == "point", h.Aria("current", "true")),
			h.A(h.Href(p.tapped(s.at)), ui.Printable(s.name), g.If(sum > 0, g.Group{ui.Space, chance(sum)})),
			g.If(len(words) > 0, h.Small(g.Text(boat.Printable(strings.Join(words, ", "))))))
	}))
}

// weight is the class of a probability.
func weight(p float64) string {
	switch {
	case p >= .5:
		return "most"
	case p >= .1:
		return "some"
	case p > 0:
		return "few"
	}
	return ""
}

// chance is a probability as shape, width and figure.
func chance(p float64) g.Node {
	shape := map[string]string{"most": "critical", "some": "warning", "few": "info"}[weight(p)]
	return h.Span(h.Class("chance "+weight(p)), ui.Mark(shape),
		h.SVG(g.Attr("viewBox", "0 0 100 10"), h.Aria("hidden", "true"), ui.Drawn("rect", "width", fmt.Sprintf("%.0f", max(2, 100*p)), "height", "10")),
		g.Text(" "+percent(p)+" "))
}

// percent is a probability in whole per cent.
func percent(p float64) string {
	if p > 0 && p < .01 {
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}
