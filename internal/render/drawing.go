package render

// Drawing is a picture of lines, dots and words in a system of its own, Y downwards; on paper it is as wide as the text.
type Drawing struct {
	Width, Height float64
	lines         []stroke
	dots          []spot
	words         []caption
}

type stroke struct{ x1, y1, x2, y2, width float64 }

type spot struct{ x, y, radius float64 }

type caption struct {
	x, y, size float64
	anchor     Anchor
	text       string
}

// Anchor is the part of a text that is at its place.
type Anchor int

// The anchors.
const (
	Start Anchor = iota
	Middle
	End
)

// Line adds a line.
func (d *Drawing) Line(x1, y1, x2, y2, width float64) {
	d.lines = append(d.lines, stroke{x1, y1, x2, y2, width})
}

// Dot adds a filled circle.
func (d *Drawing) Dot(x, y, radius float64) { d.dots = append(d.dots, spot{x, y, radius}) }

// Text adds a text on the base line y.
func (d *Drawing) Text(x, y, size float64, anchor Anchor, text string) {
	d.words = append(d.words, caption{x, y, size, anchor, text})
}

// Draw prints a drawing whole, on a new page when this one has no room for it.
func (s *Document) Draw(d *Drawing) {
	const pointsOfMillimetre = 72 / 25.4
	scale := BodyWidth / d.Width
	s.room(d.Height * scale)
	top := s.pdf.GetY()
	for _, l := range d.lines {
		s.pdf.SetLineWidth(l.width * scale)
		s.pdf.Line(margin+l.x1*scale, top+l.y1*scale, margin+l.x2*scale, top+l.y2*scale)
	}
	s.pdf.SetLineWidth(.1)
	s.pdf.SetFillColor(0, 0, 0)
	for _, c := range d.dots {
		s.pdf.Circle(margin+c.x*scale, top+c.y*scale, c.radius*scale, "F")
	}
	for _, w := range d.words {
		s.font("", w.size*scale*pointsOfMillimetre)
		text := clean(w.text)
		x := margin + w.x*scale
		switch w.anchor {
		case Middle:
			x -= s.pdf.GetStringWidth(text) / 2
		case End:
			x -= s.pdf.GetStringWidth(text)
		}
		s.pdf.Text(x, top+w.y*scale, text)
	}
	s.pdf.SetY(top + d.Height*scale)
}
