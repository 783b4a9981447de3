package record

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
)

// Millimetres of the A4 page.
const (
	pageWidth    = 210.0
	margin       = 15.0
	bodyWidth    = pageWidth - 2*margin
	lineHeight   = 3.9
	bottom       = 297 - 15.0
	linesOfAPage = 67 // (bottom - margin) / lineHeight
)

// sheet draws on a PDF from top to bottom; every row is kept whole.
type sheet struct {
	*fpdf.Fpdf
	glyphs *sfnt.Font
	buffer sfnt.Buffer
}

// WritePDF writes the record as PDF. made is the creation date in the file, so that the same record gives the same bytes.
func (r *Record) WritePDF(w io.Writer, made time.Time) error {
	glyphs, err := sfnt.Parse(goregular.TTF)
	if err != nil {
		return fmt.Errorf("write PDF: font: %w", err)
	}
	s := &sheet{Fpdf: fpdf.New("P", "mm", "A4", ""), glyphs: glyphs}
	s.SetCreationDate(made)
	s.SetModificationDate(made)
	s.SetCatalogSort(true)
	s.AddUTF8FontFromBytes("go", "", goregular.TTF)
	s.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	s.SetTitle("Service record "+r.Job.Number, true)
	s.SetMargins(margin, margin, margin)
	s.SetAutoPageBreak(false, 0)
	s.AliasNbPages("{pages}")
	s.SetFooterFunc(func() {
		s.font("", 8)
		s.SetXY(margin, -12)
		s.CellFormat(bodyWidth/2, 4, s.clean("Service record "+r.Job.Number+" · "+r.Boat.Name), "", 0, "L", false, 0, "")
		s.CellFormat(bodyWidth/2, 4, fmt.Sprintf("page %d of {pages}", s.PageNo()), "", 0, "R", false, 0, "")
	})
	s.AddPage()
	s.head(r.Job)
	s.body(r)
	if err := s.Output(w); err != nil {
		return fmt.Errorf("write PDF: %w", err)
	}
	return nil
}

func (s *sheet) font(style string, size float64) { s.SetFont("go", style, size) }

// clean makes text printable with the font: a character it lacks is written as its code point, and controls become spaces.
func (s *sheet) clean(text string) string {
	var b strings.Builder
	for _, r := range text {
		switch g, err := s.glyphs.GlyphIndex(&s.buffer, r); {
		case r < ' ' || r == 0x7F:
			b.WriteByte(' ')
		case err == nil && g != 0 && r <= 0xFFFF:
			b.WriteRune(r)
		default:
			fmt.Fprintf(&b, "[U+%04X]", r)
		}
	}
	return b.String()
}

// room starts a new page unless h millimetres are left on this one.
func (s *sheet) room(h float64) {
	if s.GetY()+h > bottom {
		s.AddPage()
	}
}

func (s *sheet) head(job *Job) {
	top := s.GetY()
	if l := job.Logo; l != nil {
		kind := strings.ToUpper(l.Format)
		s.RegisterImageOptionsReader("logo", fpdf.ImageOptions{ImageType: kind}, bytes.NewReader(l.Data))
		h := 16.0
		width := h * float64(l.Width) / float64(l.Height)
		if width > 60 {
			width, h = 60, 60*float64(l.Height)/float64(l.Width)
		}
		s.ImageOptions("logo", pageWidth-margin-width, top, width, h, false, fpdf.ImageOptions{ImageType: kind}, 0, "")
	}
	s.font("B", 11)
	s.line(job.Shop.Name, 5)
	s.font("", 9)
	for _, a := range append(job.Shop.Address, job.Shop.Contact) {
		if a != "" {
			s.line(a, 4)
		}
	}
	if job.Logo != nil {
		s.SetY(max(s.GetY(), top+17))
	}
	s.SetLineWidth(.5)
	s.Line(margin, s.GetY()+1, pageWidth-margin, s.GetY()+1)
	s.SetLineWidth(.1)
	s.Ln(4)
}

func (s *sheet) line(text string, h float64) {
	if text != "" {
		s.CellFormat(bodyWidth, h, s.clean(text), "", 1, "L", false, 0, "")
	}
}

func (s *sheet) body(r *Record) {
	s.font("B", 15)
	s.line("Service record "+r.Job.Number, 8)
	s.Ln(1)
	name := r.Boat.Name
	if r.Boat.ID != "" {
		name = strings.TrimSpace(name + " (" + r.Boat.ID + ")")
	}
	for _, f := range [][2]string{{"Boat", name}, {"Customer", r.Job.Customer}, {"Place", r.Job.Place}, {"Date", r.Job.Date},
		{"Technician", r.Job.Technician}, {"Work", r.Job.Work}} {
		if f[1] != "" {
			s.row([]float64{26, bodyWidth - 26}, []string{f[0], f[1]}, "", false)
		}
	}
	s.title("Devices and their software")
	widths := []float64{58, 30, 24, 24, bodyWidth - 136}
	s.row(widths, []string{"device", "serial", "before", "after", "remark"}, "B", true)
	for _, g := range r.Groups {
		s.room(3 * lineHeight)
		s.row([]float64{bodyWidth}, []string{strings.ToUpper(g.Role[:1]) + g.Role[1:]}, "B", false)
		for _, d := range g.Devices {
			s.row(widths, []string{d.Device, d.Serial, d.Before, d.After, d.Remark}, "", true)
		}
	}
	if len(r.Steps) > 0 {
		s.title("Work order")
		widths := []float64{58, 22, 30, 30, bodyWidth - 140}
		s.row(widths, []string{"step", "result", "began", "ended", "note"}, "B", true)
		for _, x := range r.Steps {
			s.row(widths, []string{x.Title, x.State, x.Began, x.Ended, x.Note}, "", true)
		}
	}
	s.items("What was found", r.Found)
	s.items("What was put right", r.Resolved)
	s.items("What remains, and why", r.Remains)
	s.items("What is new since", r.Fresh)
	s.list("Other changes", r.Changes)
	s.title("Network")
	widths = []float64{66, 44, bodyWidth - 110}
	s.row(widths, []string{"figure", "before", "after"}, "B", true)
	for _, f := range r.Network {
		s.row(widths, []string{f.Name, f.Before, f.After}, "", true)
	}
	s.list("Notes", r.Job.Notes)
	s.list("Cautions", r.Cautions)
	s.title("Proof")
	for _, m := range []struct {
		name string
		Moment
	}{{"before", r.Before}, {"after", r.After}} {
		text := "taken " + m.Taken + ", SHA-256 " + m.SHA256
		if m.Signed != "" {
			text += ", signed by " + m.Signed
		}
		s.row([]float64{18, bodyWidth - 18}, []string{m.name, text}, "", false)
	}
	s.row([]float64{bodyWidth}, []string{"To check: muster verify BEFORE AFTER recomputes both digests from the snapshot files. The digest is the SHA-256 of the canonical JSON (RFC 8785) of the snapshot without its seal; the signature is Ed25519 (RFC 8037, RFC 7515 detached)."}, "", false)
}

func (s *sheet) title(text string) {
	s.room(5 * lineHeight)
	s.Ln(1.6)
	s.font("B", 10.5)
	s.line(text, 5.2)
}

func (s *sheet) items(title string, items []Item) {
	var texts []string
	for _, x := range items {
		text := string(x.Severity) + ": " + x.Summary
		if x.Note != "" {
			text += " – " + x.Note
		}
		texts = append(texts, text)
	}
	s.list(title, texts)
}

func (s *sheet) list(title string, texts []string) {
	if len(texts) == 0 {
		return
	}
	s.title(title)
	for _, t := range texts {
		s.row([]float64{4, bodyWidth - 4}, []string{"•", t}, "", false)
	}
}

// row prints one row of wrapped cells and moves it to a new page when it does not fit whole.
func (s *sheet) row(widths []float64, cells []string, style string, ruled bool) {
	s.font(style, 8.5)
	lines := make([][]string, len(cells))
	most := 1
	for i, c := range cells {
		lines[i] = s.SplitText(s.clean(c), widths[i]-1.5)
		most = max(most, len(lines[i]))
	}
	for from := 0; from < most; {
		// A row longer than a whole page is continued; every other one stays whole.
		n := min(most-from, linesOfAPage)
		s.room(float64(n)*lineHeight + 1)
		x, y := margin, s.GetY()
		for i := range cells {
			for k := from; k < min(from+n, len(lines[i])); k++ {
				s.SetXY(x, y+float64(k-from)*lineHeight)
				s.CellFormat(widths[i], lineHeight, lines[i][k], "", 0, "L", false, 0, "")
			}
			x += widths[i]
		}
		s.SetXY(margin, y+float64(n)*lineHeight+.5)
		from += n
	}
	if ruled {
		s.SetDrawColor(170, 170, 170)
		s.Line(margin, s.GetY(), pageWidth-margin, s.GetY())
		s.SetDrawColor(0, 0, 0)
		s.SetY(s.GetY() + .5)
	}
}
