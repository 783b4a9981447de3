package render

import (
	"fmt"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/job"
)

// Signature draws a signature that was given with a finger; nil for a typed name.
func Signature(s *job.Statement) g.Node {
	if s == nil || len(s.Strokes) == 0 {
		return nil
	}
	x, y, width, height := inked(s.Strokes)
	var path strings.Builder
	for _, stroke := range s.Strokes {
		for i, p := range append(stroke[:len(stroke):len(stroke)], stroke[len(stroke)-1]) { // the last twice: a dot is a line too
			fmt.Fprintf(&path, "%c%d %d", "ML"[min(i, 1)], p[0], p[1])
		}
	}
	return h.SVG(g.Attr("role", "img"), h.Aria("label", "Signature of "+s.By), h.Width("240"), g.Attr("viewBox", fmt.Sprintf("%d %d %d %d", x, y, width, height)),
		g.El("path", g.Attr("d", path.String()), g.Attr("fill", "none"), g.Attr("stroke", "currentColor"), g.Attr("stroke-width", "7"),
			g.Attr("stroke-linecap", "round"), g.Attr("stroke-linejoin", "round")))
}

// inked is the rectangle that strokes take, with room for the pen.
func inked(strokes [][][2]int) (x, y, width, height int) {
	x, y = strokes[0][0][0], strokes[0][0][1]
	right, bottom := x, y
	for _, stroke := range strokes {
		for _, p := range stroke {
			x, y, right, bottom = min(x, p[0]), min(y, p[1]), max(right, p[0]), max(bottom, p[1])
		}
	}
	return x - 8, y - 8, right - x + 16, bottom - y + 16
}

// signature draws a signature on paper, at most 60 mm wide and 20 mm high.
func (s *Document) signature(of *job.Statement) {
	if of == nil || len(of.Strokes) == 0 {
		return
	}
	x, y, width, height := inked(of.Strokes)
	scale := min(60/float64(width), 20/float64(height))
	s.room(float64(height)*scale + 2)
	left, top := margin, s.pdf.GetY()+1
	s.pdf.SetLineWidth(.4)
	s.pdf.SetLineCapStyle("round")
	for _, stroke := range of.Strokes {
		from := stroke[0]
		for _, to := range stroke {
			s.pdf.Line(left+float64(from[0]-x)*scale, top+float64(from[1]-y)*scale, left+float64(to[0]-x)*scale, top+float64(to[1]-y)*scale)
			from = to
		}
	}
	s.pdf.SetLineCapStyle("butt")
	s.pdf.SetLineWidth(.1)
	s.pdf.SetY(top + float64(height)*scale + 1)
}
