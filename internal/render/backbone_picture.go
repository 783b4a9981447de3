package render

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"unicode/utf8"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/backbone"
)

// dot is one point of the picture.
type dot struct {
	X, Drop     float64 // X along the backbone, Drop the lowest end of its drop cables
	Up          float64 // how far its name is above the row of names, to make room for others
	Name, Volts string
	Power       bool
	Terminator  bool
	Bad         bool // a finding is about it, here and below
	Drops       []line
	Chance      Chance // of a fault, on a drawing that shows it
	Href        string // where it leads, "" for nowhere
}

// line is one drop cable.
type line struct {
	X, Y float64
	Text string
	Left bool // the text is on the left, where it crosses no other drop cable
	Bad  bool
	Unit DrawnUnit // on a live drawing

	Device string
	part   g.Node // what makes it a part that can be pressed; nil when it is none
}

// label is the text on one segment.
type label struct {
	X    float64
	Text string
	Bad  bool
}

// picture is the backbone to scale, in pixels: the backbone from left to right, drop cables downwards.
type picture struct {
	Width, Height    float64
	Top, Left, Right float64 // of the backbone's line
	Total            float64 // metres of backbone
	Dots             []dot
	Labels           []label
	Cables           []Chance // of a fault in each cable, or none
	Parts            bool     // its parts can be pressed and moved
}

// scaleNote is how to read the picture.
const scaleNote = "Lengths are to scale, but points close together are moved apart. The mark ! shows what a finding is about."

// Sizes of the picture in pixels. nearest is the minimum distance of two points: tees joined to each other would overlap.
const (
	pictureWidth = 920.0
	leftEdge     = 40.0
	nearest      = 44.0
	deepest      = 420.0 // of a drop cable
	rowHeight    = 26.0
	nameRow      = 28.0 // a name with its voltage
	letter       = 6.1  // of a text of 11 pixels, about
	smallLetter  = 5.0  // of 9 pixels
)

// pictureOf draws an audit; live is nil for one that is drawn as it was planned.
func pictureOf(a *backbone.Audit, live *LiveDrawing) picture {
	s := a.Solution
	right := leftEdge
	if end := s.Points[len(s.Points)-1].Name; slices.ContainsFunc(s.Outlets, func(o backbone.Outlet) bool { return o.At == end }) {
		right = 150 // room for the texts of its devices
	}
	least, sum := leastWidths(s), 0.0
	for _, w := range least {
		sum += w
	}
	room := max(pictureWidth-leftEdge-right, 1.2*sum)
	scale := scaleOf(s, room, least)
	for _, o := range s.Outlets {
		scale = min(scale, deepest/max(o.Metres, 1)) // a small backbone with long drop cables stays on one sheet
	}
	p := picture{Width: leftEdge + room + right, Left: leftEdge, Total: s.Points[len(s.Points)-1].Metres}
	bad := map[string]bool{}
	for _, f := range a.Findings {
		bad[f.Subject] = true
	}
	byLength := slices.Clone(s.Outlets)
	slices.SortStableFunc(byLength, func(a, b backbone.Outlet) int { return cmp.Compare(a.Metres, b.Metres) })
	x := leftEdge
	for i, at := range s.Points {
		if i > 0 {
			x += max(s.Legs[i-1].Metres*scale, least[i-1])
		}
		d := dot{X: x, Name: at.Name, Volts: Volts(at.Volts), Power: at.Power, Terminator: at.Terminator,
			Bad: bad["end "+at.Name] || bad["at "+at.Name] || bad["power "+at.Name] || bad["power leg "+at.Name] || bad["fuse "+at.Name] || bad["reading "+at.Name]}
		d.Name = marked(d.Name, d.Bad)
		if d.Power {
			d.Volts += ", power feed"
		}
		live.show(&d, i)
		p.Dots = append(p.Dots, d)
	}
	p.Right, p.Top = x, 70+p.raise()
	for i, at := range s.Points {
		d := &p.Dots[i]
		y, aside := p.Top, float64(i%2)*rowHeight/2 // aside: texts of neighbours get rows of their own
		for _, o := range byLength {
			if o.At == at.Name {
				y = max(y+rowHeight, p.Top+18+o.Metres*scale+aside)
				l := line{X: d.X, Y: y, Device: o.Device, Bad: bad[at.Name+" "+o.Device] || bad["layout "+at.Name+" "+o.Device]}
				l.Text = marked(o.Device+" "+Volts(o.Volts), l.Bad)
				if live != nil {
					l.Unit = live.unit(o)
					l.Text = marked(l.Unit.words(o, live.Heard), l.Bad)
				}
				d.Drops = append(d.Drops, l)
			}
		}
		d.Drop = y
	}
	lowest := p.Top + 60
	p.place()
	for _, d := range p.Dots {
		lowest = max(lowest, d.Drop)
	}
	p.Height = lowest + 50
	for i, g := range s.Legs {
		l := label{X: (p.Dots[i].X + p.Dots[i+1].X) / 2, Bad: bad[g.From+" "+g.To]}
		switch {
		case g.Amps > 0:
			l.Text = fmt.Sprintf("%s · %.2f A →", metres(g.Metres), g.Amps)
		case g.Amps < 0:
			l.Text = fmt.Sprintf("← %.2f A · %s", -g.Amps, metres(g.Metres))
		default:
			l.Text = metres(g.Metres)
		}
		l.Text = marked(l.Text, l.Bad)
		if live != nil && live.Heard {
			continue
		}
		if smallLetter*float64(utf8.RuneCountInString(l.Text)) < p.Dots[i+1].X-p.Dots[i].X { // else only the list beside the picture has it
			p.Labels = append(p.Labels, l)
		}
	}
	return p
}

// leastWidths is the minimum width of each cable: with drop cables at both ends, wide enough for the text of the first, within reason.
func leastWidths(s *backbone.Solution) []float64 {
	reach := map[string]float64{}
	for _, o := range s.Outlets {
		reach[o.At] = max(reach[o.At], 12+letter*float64(utf8.RuneCountInString(o.Device+" 12.00 V")))
	}
	out := make([]float64, len(s.Legs))
	for i, g := range s.Legs {
		out[i] = nearest
		if reach[g.To] > 0 {
			out[i] = max(nearest, min(reach[g.From], 3*nearest))
		}
	}
	return out
}

// scaleOf is how many pixels a metre takes so that the backbone fills the room, with points that are too near moved apart.
func scaleOf(s *backbone.Solution, room float64, least []float64) float64 {
	low, high := 0.0, room/max(s.Points[len(s.Points)-1].Metres, 1)
	length := func(scale float64) (sum float64) {
		for i, g := range s.Legs {
			sum += max(g.Metres*scale, least[i])
		}
		return sum
	}
	if length(high) <= room+1e-6 {
		return high
	}
	for range 50 {
		if mid := (low + high) / 2; length(mid) > room {
			high = mid
		} else {
			low = mid
		}
	}
	return low
}

// raise puts names above each other where they would overlap, and returns the room that this takes.
func (p *picture) raise() float64 {
	var ends []float64 // of the last name in each row, the lowest first
	for i := range p.Dots {
		d := &p.Dots[i]
		half := letter * float64(max(utf8.RuneCountInString(d.Name), utf8.RuneCountInString(d.Volts))) / 2
		row := slices.IndexFunc(ends, func(end float64) bool { return end+6 < d.X-half })
		if row < 0 {
			row, ends = len(ends), append(ends, 0)
		}
		ends[row] = d.X + half
		d.Up = float64(row) * nameRow
	}
	return float64(len(ends)-1) * nameRow
}

// marked adds ! to a text that a finding is about, so that colour is not the only mark.
func marked(text string, bad bool) string {
	if bad {
		return "! " + text
	}
	return text
}

// place puts the text of every drop cable where it crosses no drop cable and no other text: to the right, to the left, or further down.
func (p *picture) place() {
	var taken []place
	for i := range p.Dots {
		d := &p.Dots[i]
		free := p.Top
		for k := range d.Drops {
			l := &d.Drops[k]
			l.Y = max(l.Y, free)
			reach := 12 + letter*float64(utf8.RuneCountInString(l.Text))
			var at place
			for try := range 12 {
				right, left := place{l.X, l.X + reach, l.Y}, place{l.X - reach, l.X, l.Y}
				if at, l.Left = right, false; p.clear(right, taken) {
					break
				}
				if p.clear(left, taken) {
					at, l.Left = left, true
					break
				}
				if try < 11 {
					l.Y += rowHeight / 2
				}
			}
			taken = append(taken, at)
			free, d.Drop = l.Y+rowHeight, max(d.Drop, l.Y)
		}
	}
}

// place is the place of a text, one row high.
type place struct{ from, to, y float64 }

// clear reports whether a text crosses no drop cable and no other text, and stays on the picture.
func (p *picture) clear(b place, taken []place) bool {
	for _, d := range p.Dots {
		if b.from < d.X && d.X < b.to && len(d.Drops) > 0 && b.y <= d.Drop+8 {
			return false
		}
	}
	for _, t := range taken {
		if b.from < t.to && t.from < b.to && math.Abs(b.y-t.y) < 13 {
			return false
		}
	}
	return b.from >= 0 && b.to <= p.Width
}

// backboneDrawing is the picture for paper.
func backboneDrawing(a *backbone.Audit) *Drawing {
	p := pictureOf(a, nil)
	d := &Drawing{Width: p.Width, Height: p.Height}
	d.Line(p.Left, p.Top, p.Right, p.Top, 4)
	for _, l := range p.Labels {
		d.Text(l.X, p.Top-8, 9, Middle, l.Text)
	}
	for _, at := range p.Dots {
		if len(at.Drops) > 0 {
			d.Line(at.X, p.Top, at.X, at.Drop, 1.5)
		}
		if at.Terminator {
			d.Line(at.X, p.Top-8, at.X, p.Top+8, 12)
		} else {
			d.Dot(at.X, p.Top, 5)
		}
		d.Text(at.X, p.Top-40-at.Up, 11, Middle, at.Name)
		d.Text(at.X, p.Top-26-at.Up, 11, Middle, at.Volts)
		if at.Up > 0 {
			d.Line(at.X, p.Top, at.X, p.Top-22-at.Up, .5)
		}
		for _, l := range at.Drops {
			d.Dot(l.X, l.Y, 3)
			if l.Left {
				d.Text(l.X-7, l.Y+4, 11, End, l.Text)
			} else {
				d.Text(l.X+7, l.Y+4, 11, Start, l.Text)
			}
		}
	}
	d.Text(p.Left, p.Height-10, 9, Start, scaleNote)
	return d
}

// BackbonePicture draws the backbone as SVG, for use in a page.
func BackbonePicture(a *backbone.Audit) g.Node { return pictureOf(a, nil).svg(scaleNote) }

// svg is the picture with a note on how to read it.
func (p picture) svg(note string) g.Node {
	width, height := whole(p.Width), whole(p.Height)
	return h.SVG(g.Attr("xmlns", "http://www.w3.org/2000/svg"), h.Width(width), g.Attr("viewBox", "0 0 "+width+" "+height), p.role(note),
		g.El("g", g.Attr("font-family", "system-ui, sans-serif"), g.Attr("font-size", "11"), g.Attr("fill", "currentColor"), g.Attr("stroke", "none"), Block(
			svgLine(whole(p.Left), whole(p.Top), tenth(p.Right), whole(p.Top), "4"),
			Lines(g.Map(p.Labels, func(l label) g.Node {
				return svgText(tenth(l.X), whole(p.Top), l.Text, g.Attr("dy", "-8"), middle(), g.Attr("font-size", "9"), marking(l.Bad))
			})...),
			p.cables(),
			p.suspected(),
			Lines(p.dots()...),
			svgText(whole(p.Left), whole(p.Height), note, g.Attr("dy", "-10"), g.Attr("font-size", "9")))))
}

// role is what the picture is to those who do not see it: a picture, or a group of links.
func (p picture) role(note string) g.Node {
	kind, words := "img", fmt.Sprintf("The backbone, %.1f m, with its drop cables", p.Total)
	for _, d := range p.Dots {
		if p.Parts || slices.ContainsFunc(d.Drops, func(l line) bool { return l.Unit.Href != "" }) {
			kind = "group"
		}
	}
	if note == heardNote {
		words = "The units of the network on a backbone"
	}
	return g.Group{h.Role(kind), h.Aria("label", words)}
}

// dots are the points with their units.
func (p picture) dots() (list []g.Node) {
	for i, d := range p.Dots {
		for k := range d.Drops {
			if p.Parts {
				d.Drops[k].Unit.Href = ""
				d.Drops[k].part = g.Group{pressedAs("unit", d.Drops[k].Device, d.Drops[k].Text), g.Attr("data-at", strconv.Itoa(i))}
			}
		}
		drawn := d.svg(p.Top)
		if p.Parts {
			drawn = g.Group{g.El("g", pressedAs("point", strconv.Itoa(i), d.Name), g.Attr("data-x", tenth(d.X)), Block(
				g.El("rect", g.Attr("x", tenth(d.X-nearest/2)), g.Attr("y", whole(p.Top-16)), h.Width("44"), h.Height("32"), g.Attr("fill", "none"), pressable))),
				drawn}
		}
		if d.Href != "" {
			drawn = g.Group{h.A(h.Href(d.Href), g.El("title", g.Text("Read at "+d.Name)), g.El("rect", g.Attr("x", tenth(d.X-nearest/2)), g.Attr("y", whole(p.Top-d.Up-54)),
				h.Width("44"), h.Height(whole(d.Up+70)), g.Attr("fill", "none"), pressable)), drawn}
		}
		list = append(list, drawn)
	}
	return list
}

// cables are the places to press for the length of a cable.
func (p picture) cables() g.Node {
	if !p.Parts {
		return nil
	}
	var list []g.Node
	for i := 0; i+1 < len(p.Dots); i++ {
		from, to := p.Dots[i], p.Dots[i+1]
		list = append(list, g.El("rect", pressedAs("cable", strconv.Itoa(i), "Cable from "+from.Name+" to "+to.Name), g.Attr("x", tenth(from.X+8)), g.Attr("y", whole(p.Top-22)),
			h.Width(tenth(max(to.X-from.X-16, 8))), h.Height("32"), g.Attr("fill", "none"), pressable))
	}
	return Lines(list...)
}

// suspected are the cables that are probably at fault.
func (p picture) suspected() g.Node {
	var list []g.Node
	for i, c := range p.Cables {
		if c.Share > 0 {
			from, to, y := p.Dots[i].X, p.Dots[i+1].X, whole(p.Top)
			list = append(list, c.stroke(svgLine(tenth(from+12), y, tenth(to-12), y, "12")),
				svgText(tenth((from+to)/2), y, c.Figure(), middle(), g.Attr("dy", "18"), h.Class("chance "+c.Class())))
		}
	}
	return Lines(list...)
}

var pressable = g.Attr("pointer-events", "all")

// pressedAs makes an element a part of the drawing that can be pressed, by its kind and its number or name.
func pressedAs(kind, value, label string) g.Node {
	return g.Group{g.Attr("data-"+kind, value), h.TabIndex("0"), h.Role("button"), h.Aria("label", label)}
}

// svg draws a point of the backbone, which runs at top, and its drop cables.
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
		d.Chance.mark(x, y),
		point,
		svgText(x, above(40), d.Name, middle(), g.Attr("font-weight", "600"), marking(d.Bad)),
		svgText(x, above(26), d.Volts, middle(), g.If(d.Chance.Share > 0, h.Class("chance "+d.Chance.Class()))),
		Lines(g.Map(d.Drops, line.svg)...))
}

// svg draws the end of a drop cable, with its text beside it.
func (l line) svg() g.Node {
	x, y := tenth(l.X), tenth(l.Y)
	side := g.Group{g.Attr("dx", "7")}
	if l.Left {
		side = g.Group{g.Attr("dx", "-7"), g.Attr("text-anchor", "end")}
	}
	drawn := Lines(l.Unit.Chance.mark(x, y), l.Unit.dot(x, y), svgText(x, y, l.Text, side, g.Attr("dy", "4"), g.If(l.Unit.Class() != "", h.Class(l.Unit.Class())), g.If(l.Unit.Class() == "", marking(l.Bad))))
	if l.Unit.Href == "" && l.part == nil {
		return drawn
	}
	reach := 12 + letter*float64(utf8.RuneCountInString(l.Text)) // room for a finger or a pointer
	from := l.X - 7
	if l.Left {
		from = l.X + 7 - reach
	}
	all := Lines(g.El("rect", g.Attr("x", tenth(from)), g.Attr("y", tenth(l.Y-rowHeight/2)), h.Width(tenth(reach)), h.Height("26"), g.Attr("fill", "none"),
		pressable), drawn)
	if l.part != nil {
		return g.El("g", l.part, all)
	}
	return h.A(h.Href(l.Unit.Href), all)
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

// marking colours what a finding is about.
func marking(bad bool) g.Node { return g.If(bad, h.Class("bad")) }

func whole(v float64) string { return strconv.FormatFloat(v, 'f', 0, 64) }

func tenth(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }
