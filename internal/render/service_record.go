package render

import (
	"cmp"
	_ "embed"
	"encoding/base64"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/job"
)

//go:embed record.css
var recordStyle string

// howToCheck is how to check the record.
const howToCheck = "To check: muster verify BEFORE AFTER recomputes both digests from the snapshot files. " +
	"The digest is the SHA-256 of the file up to the comma before its seal. The signature over that is Ed25519 (RFC 8037, RFC 7515 detached). " +
	"The example snapshot.md shows how to check both with sha256sum and OpenSSL."

// The columns of the record's tables.
var (
	deviceColumns = []string{"device", "serial", "before", "after", "note"}
	figureColumns = []string{"figure", "before", "after"}
)

func deviceCells(d job.Row) []string {
	return []string{d.Device, d.Serial, cmp.Or(d.Before, "–"), cmp.Or(d.After, "–"), d.Remark}
}

func load(l *boat.Load) string {
	if l == nil {
		return "–"
	}
	return fmt.Sprintf("%.1f %%, peak %.1f %%", l.Mean*100, l.Peak*100)
}

// roleTitle is a role as a heading.
func roleTitle(role boat.Role) string {
	if role == boat.RoleAIS {
		return "AIS"
	}
	return strings.ToUpper(string(role[:1])) + string(role[1:])
}

// recordCautions are common practice (no source), and the job's own.
func recordCautions(of *job.Job) []string {
	return append([]string{
		"Electronics are aids. Check position, depth and heading against independent means before relying on them.",
		"Work on wiring, batteries and shore power follows the manufacturer's instructions, local codes and, where required, licensed practice.",
		"This record shows what the network reported at the times given. It is not a navigation aid and not a survey of the boat.",
	}, of.Cautions...)
}

// recordTitle is the title of the record, with the shop's job number when there is one.
func recordTitle(r *job.Record) string { return strings.TrimSpace("Service record " + r.Job.Number) }

// verdictText is the verdict of a snapshot with what it rests on.
func verdictText(m job.Moment) string {
	if m.Judged == nil {
		return m.Verdict
	}
	return m.Verdict + " " + JudgedLine(m.Judged) + "."
}

// ServiceRecordHTML writes the record as one self-contained page that prints properly.
func ServiceRecordHTML(w io.Writer, r *job.Record) error {
	title := recordTitle(r)
	page := Page(strings.TrimSuffix(title+": "+r.Boat.Name, ": "), recordStyle,
		letterhead(r.Job),
		h.H1(g.Text(title)),
		h.P(h.Class("verdict"), g.Text(recordVerdict(r))),
		Lines(g.Map(recordFront(r), partNode)...),
		h.Section(h.Class("proof"), Block(h.H1(g.Text("Evidence")), Lines(g.Map(recordProof(r), partNode)...))))
	if err := WritePage(w, page); err != nil {
		return fmt.Errorf("write service record: %w", err)
	}
	return nil
}

// partNode is one part on the page.
func partNode(p part) g.Node {
	if p.empty() {
		return nil
	}
	bodies := g.Map(p.bands, func(b band) g.Node {
		title := g.If(b.title != "", h.Tr(h.Th(h.Scope("rowgroup"), h.ColSpan(strconv.Itoa(len(p.columns))), g.Text(b.title))))
		return h.TBody(Block(title, Lines(rows(b.rows, func(cells []string) []string { return cells })...)))
	})
	return Lines(
		codePicture(p.code),
		g.If(p.title != "", h.H2(g.Text(p.title))),
		g.If(len(p.facts) > 0, Facts(p.facts...)),
		g.If(p.text != "", h.P(h.Small(g.Text(p.text)))),
		g.If(len(p.lines) > 0, List(p.lines)),
		items(p.items),
		g.If(len(bodies) > 0, headedTable(p.columns, bodies...)),
		Signature(p.signed),
		Lines(g.Map(p.photos, photoNode)...))
}

func photoNode(x job.Picture) g.Node {
	return h.Figure(h.Img(h.Src("data:image/jpeg;base64,"+base64.StdEncoding.EncodeToString(x.JPEG)), h.Alt(x.Text)),
		h.FigCaption(g.Text(strings.TrimPrefix(x.Text+", ", ", ")+x.File)))
}

// like puts like findings together, as everywhere.
func like(items []job.Item) [][]*job.Item {
	return check.Alike(items, func(x *job.Item) (string, check.Severity) { return x.Check, x.Severity })
}

// kindLine is the line for a kind of finding, and the remedies of the kind, each once.
func kindLine(kind []*job.Item) (line string, remedies [][]check.Step) {
	line = kind[0].Summary
	if len(kind) > 1 {
		line = check.Briefly(kind[0].Check, len(kind))
	}
	for _, x := range kind {
		remedies = append(remedies, x.Steps)
	}
	return string(kind[0].Severity) + ": " + line, check.Distinct(remedies)
}

// items are findings, like ones as one; nil for none.
func items(of []job.Item) g.Node {
	if len(of) == 0 {
		return nil
	}
	note := func(x *job.Item) g.Node { return g.If(x.Note != "", g.Group{g.Text(" "), h.Small(g.Text(x.Note))}) }
	return h.Ul(Block(g.Map(like(of), func(kind []*job.Item) g.Node {
		line, remedies := kindLine(kind)
		steps := g.Map(remedies, func(steps []check.Step) g.Node { return Remedy(steps, true) })
		if len(kind) == 1 {
			return h.Li(g.Text(line), note(kind[0]), steps)
		}
		return h.Li(g.Text(line), h.Ul(g.Map(kind, func(x *job.Item) g.Node {
			return h.Li(g.Text(x.Summary),
				note(x))
		})), steps)
	})...))
}

// ServiceRecordPDF writes the record as PDF. made is the creation date in the file.
func ServiceRecordPDF(w io.Writer, r *job.Record, made time.Time) error {
	title := recordTitle(r)
	d := NewDocument(title, strings.TrimSuffix(title+" · "+r.Boat.Name, " · "), made)
	d.Head(r.Job)
	d.Heading(title)
	d.Strong(recordVerdict(r))
	for _, p := range recordFront(r) {
		d.part(p)
	}
	d.Page()
	d.Heading("Evidence")
	for _, p := range recordProof(r) {
		d.part(p)
	}
	if err := d.Output(w); err != nil {
		return fmt.Errorf("write PDF: %w", err)
	}
	return nil
}

// part prints one part on paper.
func (s *Document) part(p part) {
	if p.empty() {
		return
	}
	if p.title != "" {
		s.Title(p.title)
	}
	if p.code == "" {
		s.Facts(26, p.facts...)
	} else {
		s.factsByCode(26, p.facts, p.code)
	}
	if p.text != "" {
		s.Paragraph(p.text)
	}
	for _, line := range p.lines {
		s.bullet("•", 0, line)
	}
	s.items(p.items)
	if len(p.bands) > 0 {
		s.Table(p.widths, p.columns, nil)
	}
	for _, b := range p.bands {
		if b.title != "" {
			s.Band(b.title)
		}
		s.Table(p.widths, nil, b.rows)
	}
	s.signature(p.signed)
	s.photos(p.photos)
}

func snapshotText(m job.Moment) string {
	text := "taken " + minute(m.Taken) + ", SHA-256 " + m.SHA256
	if m.Signed != "" {
		text += ", " + m.Signed
	}
	return text
}

// items prints findings, like ones as one.
func (s *Document) items(of []job.Item) {
	for _, kind := range like(of) {
		line, remedies := kindLine(kind)
		note := func(x *job.Item, text string) string {
			if x.Note != "" {
				text += " – " + x.Note
			}
			return text
		}
		var texts []string
		for _, steps := range remedies {
			texts = append(texts, RemedyLabel+": "+strings.Join(RemedyLines(steps), " "))
		}
		if len(kind) == 1 {
			s.bullet("•", 0, strings.Join(append([]string{note(kind[0], line)}, texts...), ". "))
			continue
		}
		s.bullet("•", 0, line)
		for _, x := range kind {
			s.bullet("–", 4, note(x, x.Summary))
		}
		for _, text := range texts {
			s.bullet("", 0, text)
		}
	}
}
