package render

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode"

	"github.com/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"

	"muster/internal/job"
)

// Millimetres of the A4 page.
const (
	pageWidth    = 210.0
	margin       = 15.0
	bottom       = 297 - 15.0
	lineHeight   = 3.9
	linesOfAPage = 67 // (bottom - margin) / lineHeight

	// BodyWidth is the width between the margins.
	BodyWidth = pageWidth - 2*margin
)

// Document draws a PDF from top to bottom in the shop's plain style; every row is kept whole, every page is numbered.
type Document struct {
	pdf *fpdf.Fpdf
}

// NewDocument begins a document. made is the creation date in the file, so that the same content gives the same bytes.
func NewDocument(title, footer string, made time.Time) *Document {
	s := &Document{pdf: fpdf.New("P", "mm", "A4", "")}
	s.pdf.SetCreationDate(made)
	s.pdf.SetModificationDate(made)
	s.pdf.SetCatalogSort(true)
	s.pdf.AddUTF8FontFromBytes("go", "", goregular.TTF)
	s.pdf.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	s.pdf.SetTitle(clean(title), true)
	s.pdf.SetLang("en-GB")
	s.pdf.SetMargins(margin, margin, margin)
	s.pdf.SetAutoPageBreak(false, 0)
	s.pdf.AliasNbPages("{pages}")
	s.pdf.SetFooterFunc(func() {
		s.font("", 8)
		s.pdf.SetXY(margin, -11)
		s.pdf.CellFormat(BodyWidth/2, 4, clean(footer), "", 0, "L", false, 0, "")
		s.pdf.CellFormat(BodyWidth/2, 4, fmt.Sprintf("page %d of {pages}", s.pdf.PageNo()), "", 0, "R", false, 0, "")
	})
	s.pdf.AddPage()
	return s
}

// Output writes the document.
func (s *Document) Output(w io.Writer) error { return s.pdf.Output(w) }

func (s *Document) font(style string, size float64) { s.pdf.SetFont("go", style, size) }

// clean makes text printable with the font: a character it lacks is written as its code point, and controls become spaces.
func clean(text string) string {
	var b strings.Builder
	for _, r := range text {
		switch {
		case r < ' ' || r == 0x7F:
			b.WriteByte(' ')
		case unicode.Is(glyphs, r):
			b.WriteRune(r)
		default:
			fmt.Fprintf(&b, "[U+%04X]", r)
		}
	}
	return b.String()
}

// room starts a new page unless h millimetres are left on this one.
func (s *Document) room(h float64) {
	if s.pdf.GetY()+h > bottom {
		s.pdf.AddPage()
	}
}

// Head prints the shop's name, address and logo.
func (s *Document) Head(of *job.Job) {
	top := s.pdf.GetY()
	if l := of.Logo; l != nil {
		kind := strings.ToUpper(l.Format)
		s.pdf.RegisterImageOptionsReader("logo", fpdf.ImageOptions{ImageType: kind}, bytes.NewReader(l.Data))
		height := 16.0
		width := height * float64(l.Width) / float64(l.Height)
		if width > 60 {
			width, height = 60, 60*float64(l.Height)/float64(l.Width)
		}
		s.pdf.ImageOptions("logo", pageWidth-margin-width, top, width, height, false, fpdf.ImageOptions{ImageType: kind}, 0, "")
	}
	s.font("B", 11)
	s.line(of.Shop.Name, 5)
	s.font("", 9)
	for _, a := range of.Shop.Address {
		s.line(a, 4)
	}
	s.line(of.Shop.Contact, 4)
	if of.Logo != nil {
		s.pdf.SetY(max(s.pdf.GetY(), top+17))
	}
	s.pdf.SetLineWidth(.5)
	s.pdf.Line(margin, s.pdf.GetY()+1, pageWidth-margin, s.pdf.GetY()+1)
	s.pdf.SetLineWidth(.1)
	s.pdf.Ln(4)
}

func (s *Document) line(text string, h float64) {
	if text != "" {
		s.pdf.CellFormat(BodyWidth, h, clean(text), "", 1, "L", false, 0, "")
	}
}

// Heading prints the document's own title.
func (s *Document) Heading(text string) {
	s.font("B", 15)
	s.line(text, 8)
	s.pdf.Ln(1)
}

// Strong prints wrapped text that is read first.
func (s *Document) Strong(text string) {
	s.font("B", 11)
	for _, line := range s.pdf.SplitText(clean(text), BodyWidth-1.5) {
		s.room(5.2)
		s.pdf.CellFormat(BodyWidth, 5.2, line, "", 1, "L", false, 0, "")
	}
	s.pdf.Ln(1)
}

// Page begins a new page.
func (s *Document) Page() { s.pdf.AddPage() }

// Title begins a section.
func (s *Document) Title(text string) {
	s.room(5 * lineHeight)
	s.pdf.Ln(1.6)
	s.font("B", 10.5)
	s.line(text, 5.2)
}

// Facts prints names with their values, leaving out empty ones.
func (s *Document) Facts(width float64, facts ...[2]string) { s.facts(width, BodyWidth, facts) }

func (s *Document) facts(width, all float64, facts [][2]string) {
	for _, f := range facts {
		if f[1] != "" {
			s.row([]float64{width, all - width}, f[:], "", false)
		}
	}
}

// Table prints a table; the last width is what the others leave.
func (s *Document) Table(widths []float64, header []string, rows [][]string) {
	rest := BodyWidth
	for _, w := range widths {
		rest -= w
	}
	widths = append(append([]float64(nil), widths...), rest)
	if header != nil {
		s.row(widths, header, "B", true)
	}
	for _, r := range rows {
		s.row(widths, r, "", true)
	}
}

// Band prints a heading line inside a table, kept together with what follows.
func (s *Document) Band(text string) {
	s.room(3 * lineHeight)
	s.row([]float64{BodyWidth}, []string{text}, "B", false)
}

// Paragraph prints wrapped text.
func (s *Document) Paragraph(text string) { s.row([]float64{BodyWidth}, []string{text}, "", false) }

// List prints a section of points, and nothing at all when there are none.
func (s *Document) List(title string, texts []string) {
	if len(texts) == 0 {
		return
	}
	s.Title(title)
	for _, t := range texts {
		s.bullet("•", 0, t)
	}
}

// bullet prints an item of a list, indented by so many millimetres.
func (s *Document) bullet(mark string, indent float64, text string) {
	s.row([]float64{indent, 4, BodyWidth - 4 - indent}, []string{"", mark, text}, "", false)
}

// photos prints pictures, two in a row.
func (s *Document) photos(list []job.Picture) {
	const width, most = 86.0, 64.0 // of a picture
	for at := 0; at < len(list); at += 2 {
		s.room(most + 2*lineHeight)
		top := s.pdf.GetY()
		for k, x := range list[at:min(at+2, len(list))] {
			w, h := width, width*float64(x.Height)/float64(x.Width)
			if h > most {
				w, h = most*float64(x.Width)/float64(x.Height), most
			}
			options := fpdf.ImageOptions{ImageType: "JPEG"}
			s.pdf.RegisterImageOptionsReader(x.File, options, bytes.NewReader(x.JPEG))
			s.pdf.ImageOptions(x.File, margin+float64(k)*(width+6), top, w, h, false, options, 0, "")
		}
		s.pdf.SetY(top + most)
		captions := []string{"", ""}
		for k, x := range list[at:min(at+2, len(list))] {
			captions[k] = strings.TrimPrefix(x.Text+", ", ", ") + x.File
		}
		s.row([]float64{width + 6, width}, captions, "", false)
	}
}

// row prints one row of wrapped cells and moves it to a new page when it does not fit whole.
// A row longer than a page is the one that is continued.
func (s *Document) row(widths []float64, cells []string, style string, ruled bool) {
	s.font(style, 8.5)
	lines := make([][]string, len(cells))
	most := 1
	for i, c := range cells {
		lines[i] = s.pdf.SplitText(clean(c), widths[i]-1.5)
		most = max(most, len(lines[i]))
	}
	for from := 0; from < most; {
		n := min(most-from, linesOfAPage)
		s.room(float64(n)*lineHeight + 1)
		x, y := margin, s.pdf.GetY()
		for i := range cells {
			for k := from; k < min(from+n, len(lines[i])); k++ {
				s.pdf.SetXY(x, y+float64(k-from)*lineHeight)
				s.pdf.CellFormat(widths[i], lineHeight, lines[i][k], "", 0, "L", false, 0, "")
			}
			x += widths[i]
		}
		s.pdf.SetXY(margin, y+float64(n)*lineHeight+.5)
		from += n
	}
	if ruled {
		s.pdf.SetDrawColor(170, 170, 170)
		s.pdf.Line(margin, s.pdf.GetY(), pageWidth-margin, s.pdf.GetY())
		s.pdf.SetDrawColor(0, 0, 0)
		s.pdf.SetY(s.pdf.GetY() + .5)
	}
}
