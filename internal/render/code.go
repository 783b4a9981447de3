package render

import (
	"fmt"
	"io"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"
	"rsc.io/qr"
)

// codeSide is the side of a code on paper in millimetres; the others are the empty border on a page and in a terminal, in modules.
const codeSide, codeBorder, terminalBorder = 24.0, 4, 2

// dark are the runs of dark modules of a text's QR code, each as column, row and length, and the code's side in modules.
func dark(text string) (side int, runs [][3]int) {
	code, err := qr.Encode(text, qr.L)
	if err != nil { // only a text of more than 4,000 capitals
		return 1, nil
	}
	for y := range code.Size {
		for x := 0; x < code.Size; x++ {
			n := 0
			for code.Black(x+n, y) {
				n++
			}
			if n > 0 {
				runs = append(runs, [3]int{x, y, n})
			}
			x += n
		}
	}
	return code.Size, runs
}

// codePicture draws a text as a QR code on a page; nil without one.
func codePicture(text string) g.Node {
	if text == "" {
		return nil
	}
	var path strings.Builder
	side, runs := dark(text)
	for _, r := range runs {
		fmt.Fprintf(&path, "M%d %dh%dv1h-%dz", r[0], r[1], r[2], r[2])
	}
	return h.SVG(h.Class("code"), g.Attr("role", "img"), h.Aria("label", text), g.Attr("shape-rendering", "crispEdges"),
		g.Attr("viewBox", fmt.Sprintf("%d %d %d %d", -codeBorder, -codeBorder, side+2*codeBorder, side+2*codeBorder)), g.El("path", g.Attr("d", path.String())))
}

// factsByCode prints facts, and a text as a QR code at their right.
func (s *Document) factsByCode(width float64, facts [][2]string, text string) {
	s.room(codeSide)
	left, top := margin+BodyWidth-codeSide, s.pdf.GetY()
	s.facts(width, BodyWidth-codeSide-4, facts)
	below := s.pdf.GetY()
	side, runs := dark(text)
	module := codeSide / float64(side)
	for _, r := range runs {
		s.pdf.Rect(left+float64(r[0])*module, top+float64(r[1])*module, float64(r[2])*module, module, "F")
	}
	s.pdf.SetY(max(below, top+codeSide+1))
}

// WriteCode writes a text as a QR code, black on white whatever the colours of the terminal are: two modules a letter.
func WriteCode(w io.Writer, text string) error {
	code, err := qr.Encode(text, qr.L)
	if err != nil {
		return fmt.Errorf("%d characters: %w", len(text), err)
	}
	var b strings.Builder
	for y := -terminalBorder; y < code.Size+terminalBorder; y += 2 {
		b.WriteString("\x1b[30;107m")
		for x := -terminalBorder; x < code.Size+terminalBorder; x++ {
			switch top, bottom := code.Black(x, y), code.Black(x, y+1); {
			case top && bottom:
				b.WriteString("█")
			case top:
				b.WriteString("▀")
			case bottom:
				b.WriteString("▄")
			default:
				b.WriteString(" ")
			}
		}
		b.WriteString("\x1b[0m\n")
	}
	_, err = io.WriteString(w, b.String())
	return err
}

// Code draws a text as a QR code on a page; nil without one.
func Code(text string) g.Node { return codePicture(text) }
