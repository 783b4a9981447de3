package render

import (
	"fmt"
	"strconv"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/backbone"
)

// BackbonePicture draws the backbone as SVG, to stand in a page.
func BackbonePicture(a *backbone.Audit) g.Node {
	p := pictureOf(a)
	width, height := whole(p.Width), whole(p.Height)
	return h.SVG(g.Attr("xmlns", "http://www.w3.org/2000/svg"), h.Width(width), g.Attr("viewBox", "0 0 "+width+" "+height), h.Role("img"),
		h.Aria("label", fmt.Sprintf("The backbone, %.1f m, with its drops", p.Total)),
		g.El("g", g.Attr("font-family", "system-ui, sans-serif"), g.Attr("font-size", "11"), g.Attr("fill", "currentColor"), g.Attr("stroke", "none"), Block(
			svgLine(whole(p.Left), whole(p.Top), tenth(p.Right), whole(p.Top), "4"),
			Lines(g.Map(p.Labels, func(l label) g.Node {
				return svgText(tenth(l.X), whole(p.Top), l.Text, g.Attr("dy", "-8"), middle(), g.Attr("font-size", "9"), marking(l.Bad))
			})...),
			Lines(g.Map(p.Dots, func(d dot) g.Node { return d.svg(p.Top) })...),
			svgText(whole(p.Left), whole(p.Height), scaleNote, g.Attr("dy", "-10"), g.Attr("font-size", "9")))))
}

// svg draws a point of the backbone, which runs at top, and its drops.
func (d dot) svg(top float64) g.Node {
	x, y := tenth(d.X), whole(top)
	above := func(by float64) string { return whole(top - d.Up - by) }
	point := svgDot(x, y, "5")
	if d.Terminator {
		point = g.El("rect", g.Attr("x", x), g.Attr("y", y), h.Width("12"), h.Height("16"), g.Attr("transform", "translate(-6 -8)"))
	}
	return Lines(
		g.If(len(d.Drops) > 0, svgLine(x, y, x, tenth(d.Drop), "1.5")),
		g.If(d.Up > 0, svgLine(x, y, x, above(22), ".5")),
		point,
		svgText(x, above(40), d.Name, middle(), g.Attr("font-weight", "600"), marking(d.Bad)),
		svgText(x, above(26), d.Volts, middle()),
		Lines(g.Map(d.Drops, line.svg)...))
}

// svg draws the end of a drop, with its text beside it.
func (l line) svg() g.Node {
	x, y := tenth(l.X), tenth(l.Y)
	side := g.Group{g.Attr("dx", "7")}
	if l.Left {
		side = g.Group{g.Attr("dx", "-7"), g.Attr("text-anchor", "end")}
	}
	return Lines(svgDot(x, y, "3"), svgText(x, y, l.Text, side, g.Attr("dy", "4"), marking(l.Bad)))
}

func svgLine(x1, y1, x2, y2, width string) g.Node {
	return g.El("line", g.Attr("x1", x1), g.Attr("y1", y1), g.Attr("x2", x2), g.Attr("y2", y2),
		g.Attr("stroke", "currentColor"), g.Attr("stroke-width", width))
}

func svgDot(x, y, radius string) g.Node {
	return g.El("circle", g.Attr("cx", x), g.Attr("cy", y), g.Attr("r", radius))
}

func svgText(x, y, text string, attributes ...g.Node) g.Node {
	return g.El("text", g.Attr("x", x), g.Attr("y", y), g.Group(attributes), g.Text(text))
}

func middle() g.Node { return g.Attr("text-anchor", "middle") }

// marking gives what a finding is about its colour.
func marking(bad bool) g.Node { return g.If(bad, h.Class("bad")) }

func whole(v float64) string { return strconv.FormatFloat(v, 'f', 0, 64) }

func tenth(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }
