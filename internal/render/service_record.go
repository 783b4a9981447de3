package render

import (
	"cmp"
	_ "embed"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
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
	stepColumns   = []string{"step", "result", "began", "ended", "note"}
	figureColumns = []string{"figure", "before", "after"}
)

func deviceCells(d job.Row) []string {
	return []string{d.Device, d.Serial, cmp.Or(d.Before, "–"), cmp.Or(d.After, "–"), d.Remark}
}

func stepCells(s job.Step) []string { return []string{s.Title, s.State, s.Began, s.Ended, s.Note} }

// figureCells are the measured figures before and after.
func figureCells(r *job.Record) [][]string {
	out := [][]string{{"Devices on the network", strconv.Itoa(r.Aboard.Before), strconv.Itoa(r.Aboard.After)}}
	for _, n := range r.Networks {
		b, a := n.Before, n.After
		count := func(name string, before, after uint64) {
			out = append(out, []string{name + " on " + a.ID, strconv.FormatUint(before, 10), strconv.FormatUint(after, 10)})
		}
		out = append(out, []string{"Load of " + a.ID, load(b.Load), load(a.Load)})
		if a.Kind == event.NMEA0183 {
			count("Wrong checksums", b.Faults.ChecksumErrors, a.Faults.ChecksumErrors)
			continue
		}
		count("Error frames", b.Faults.ErrorFrames, a.Faults.ErrorFrames)
		count("Incomplete messages", b.Faults.BrokenSequences, a.Faults.BrokenSequences)
		count("Lost messages", b.Faults.LostMessages, a.Faults.LostMessages)
	}
	return out
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

// recordFacts are what the record is about.
func recordFacts(r *job.Record) [][2]string {
	facts := append([][2]string{{"Boat", boatName(r.Boat)}}, jobFacts(r.Job)...)
	return withText(append(facts, [2]string{"Before the work", verdictText(r.Before)}, [2]string{"After the work", verdictText(r.After)},
		[2]string{BelongsLabel, r.Because}))
}

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
		Facts(recordFacts(r)...),
		h.H2(g.Text("Devices and their software")), recordDevices(r.Groups),
		g.Iff(len(r.Steps) > 0, func() g.Node {
			return Lines(h.H2(g.Text("Work order")), headedTable(stepColumns, h.TBody(Lines(rows(r.Steps, stepCells)...))))
		}),
		Lines(g.Map(toldSections(r.Told), func(x toldSection) g.Node { return Section(x.title, x.texts) })...),
		items("Findings before the work", r.Found),
		items("Resolved findings", r.Resolved),
		items("Not judged after the work", r.Unjudged),
		items("Open findings, and why", r.OpenItems),
		items("New findings", r.Fresh),
		Section("Other changes", r.Changes),
		Section("Settings changed over the network", r.Commands),
		h.H2(g.Text("Network")), headedTable(figureColumns, h.TBody(Lines(g.Map(figureCells(r), func(texts []string) g.Node { return Row(texts...) })...))),
		Section("Notes", r.Job.Notes),
		Section("Cautions", recordCautions(r.Job)),
		h.H2(g.Text("Snapshots")),
		h.P(snapshotNode("Before", r.Before), h.Br(), g.Text("\n"), snapshotNode("After", r.After)),
		h.P(h.Small(g.Text(howToCheck))))
	if err := WritePage(w, page); err != nil {
		return fmt.Errorf("write service record: %w", err)
	}
	return nil
}

func recordDevices(groups []job.Group) g.Node {
	return headedTable(deviceColumns, g.Map(groups, func(x job.Group) g.Node {
		return h.TBody(Block(h.Tr(h.Th(h.Scope("rowgroup"), h.ColSpan("5"), g.Text(roleTitle(x.Role)))), Lines(rows(x.Devices, deviceCells)...)))
	})...)
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

// items are findings under a heading, like ones as one; nil for none.
func items(title string, of []job.Item) g.Node {
	if len(of) == 0 {
		return nil
	}
	note := func(x *job.Item) g.Node { return g.If(x.Note != "", g.Group{g.Text(" "), h.Small(g.Text(x.Note))}) }
	return Lines(h.H2(g.Text(title)), h.Ul(Block(g.Map(like(of), func(kind []*job.Item) g.Node {
		line, remedies := kindLine(kind)
		steps := g.Map(remedies, func(steps []check.Step) g.Node { return Remedy(steps, true) })
		if len(kind) == 1 {
			return h.Li(g.Text(line), note(kind[0]), steps)
		}
		return h.Li(g.Text(line), h.Ul(g.Map(kind, func(x *job.Item) g.Node {
			return h.Li(g.Text(x.Summary),
				note(x))
		})), steps)
	})...)))
}

// snapshotNode is the time of a snapshot, and the digest to check it with.
func snapshotNode(which string, m job.Moment) g.Node {
	signed := g.If(m.Signed != "", g.Group{g.Text(", signed by "), h.Code(g.Text(m.Signed))})
	return g.Group{g.Textf("%s: taken %s, SHA-256 ", which, minute(m.Taken)), h.Code(g.Text(m.SHA256)), signed, g.Text(".")}
}

// ServiceRecordPDF writes the record as PDF. made is the creation date in the file.
func ServiceRecordPDF(w io.Writer, r *job.Record, made time.Time) error {
	title := recordTitle(r)
	d := NewDocument(title, strings.TrimSuffix(title+" · "+r.Boat.Name, " · "), made)
	d.Head(r.Job)
	d.Heading(title)
	d.Facts(26, recordFacts(r)...)
	d.Title("Devices and their software")
	widths := []float64{58, 30, 24, 24}
	d.Table(widths, deviceColumns, nil)
	for _, g := range r.Groups {
		d.Band(roleTitle(g.Role))
		d.Table(widths, nil, cells(g.Devices, deviceCells))
	}
	if len(r.Steps) > 0 {
		d.Title("Work order")
		d.Table([]float64{58, 22, 30, 30}, stepColumns, cells(r.Steps, stepCells))
	}
	for _, x := range toldSections(r.Told) {
		d.List(x.title, x.texts)
	}
	d.items("Findings before the work", r.Found)
	d.items("Resolved findings", r.Resolved)
	d.items("Not judged after the work", r.Unjudged)
	d.items("Open findings, and why", r.OpenItems)
	d.items("New findings", r.Fresh)
	d.List("Other changes", r.Changes)
	d.List("Settings changed over the network", r.Commands)
	d.Title("Network")
	d.Table([]float64{66, 44}, figureColumns, figureCells(r))
	d.List("Notes", r.Job.Notes)
	d.List("Cautions", recordCautions(r.Job))
	d.Title("Snapshots")
	d.Facts(18, [2]string{"before", snapshotText(r.Before)}, [2]string{"after", snapshotText(r.After)})
	d.Paragraph(howToCheck)
	if err := d.Output(w); err != nil {
		return fmt.Errorf("write PDF: %w", err)
	}
	return nil
}

// toldSection is one list of what the ledger adds.
type toldSection struct {
	title string
	texts []string
}

// toldSections are what the ledger adds to a record.
func toldSections(t *job.Told) []toldSection {
	if t == nil {
		return nil
	}
	said := func(list []job.Said) (texts []string) {
		for _, s := range list {
			texts = append(texts, s.String())
		}
		return texts
	}
	var outside, hours, parts, signed []string
	for _, o := range t.Outside {
		outside = append(outside, fmt.Sprintf("%s: %s → %s", o.Label, o.From, o.To))
	}
	for _, w := range t.Hours {
		hours = append(hours, strings.TrimSuffix(job.HoursText(w.Minutes)+" "+w.Kind, " "))
	}
	if len(hours) > 1 {
		hours = append(hours, job.HoursText(t.Minutes())+" in all")
	}
	for _, p := range t.Parts {
		parts = append(parts, strings.TrimSuffix(fmt.Sprintf("%d × %s %s", p.Count, p.Name, p.Number), " "))
	}
	if t.SignOff != nil {
		signed = []string{t.SignOff.String()}
	}
	ledger := []string{fmt.Sprintf("%d lines before this record, the last with SHA-256 %s", t.Lines, t.Digest),
		"To check the folder: muster job check. The example ledger.md shows how to do it with sha256sum and OpenSSL."}
	return []toldSection{{"Changed outside the work order", outside}, {"Hours", hours}, {"Parts", parts}, {"Hold points", said(t.Points)},
		{"Waived", said(t.Waived)}, {"Notes of the visit", said(t.Notes)}, {"Signed off", signed}, {"Ledger", ledger}}
}

func snapshotText(m job.Moment) string {
	text := "taken " + minute(m.Taken) + ", SHA-256 " + m.SHA256
	if m.Signed != "" {
		text += ", signed by " + m.Signed
	}
	return text
}

// items prints findings under a heading, like ones as one; nothing for none.
func (s *Document) items(title string, of []job.Item) {
	if len(of) == 0 {
		return
	}
	s.Title(title)
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
