package record

import (
	"fmt"
	"io"
	"strings"
	"time"
)

// WritePDF writes the record as PDF. made is the creation date in the file.
func (r *Record) WritePDF(w io.Writer, made time.Time) error {
	title := r.Title()
	d := NewDocument(title, strings.TrimSuffix(title+" · "+r.Boat.Name, " · "), made)
	d.Head(r.Job)
	d.Heading(title)
	r.draw(d)
	if err := d.Output(w); err != nil {
		return fmt.Errorf("write PDF: %w", err)
	}
	return nil
}

func (r *Record) draw(d *Document) {
	d.Facts(26, r.facts()...)
	d.Title("Devices and their software")
	widths := []float64{58, 30, 24, 24}
	d.Table(widths, []string{"device", "serial", "before", "after", "remark"}, nil)
	for _, g := range r.Groups {
		d.Band(g.Role)
		var rows [][]string
		for _, x := range g.Devices {
			rows = append(rows, []string{x.Device, x.Serial, x.Before, x.After, x.Remark})
		}
		d.Table(widths, nil, rows)
	}
	if len(r.Steps) > 0 {
		d.Title("Work order")
		var rows [][]string
		for _, x := range r.Steps {
			rows = append(rows, []string{x.Title, x.State, x.Began, x.Ended, x.Note})
		}
		d.Table([]float64{58, 22, 30, 30}, []string{"step", "result", "began", "ended", "note"}, rows)
	}
	d.List("What was found", texts(r.Found))
	d.List("What was put right", texts(r.Resolved))
	d.List("What remains, and why", texts(r.Remains))
	d.List("What is new since", texts(r.Fresh))
	d.List("Other changes", r.Changes)
	d.Title("Network")
	var rows [][]string
	for _, f := range r.Network {
		rows = append(rows, []string{f.Name, f.Before, f.After})
	}
	d.Table([]float64{66, 44}, []string{"figure", "before", "after"}, rows)
	d.List("Notes", r.Job.Notes)
	d.List("Cautions", r.Cautions)
	d.Title("Proof")
	d.Facts(18, [2]string{"before", r.Before.proof()}, [2]string{"after", r.After.proof()})
	d.Paragraph(howToCheck)
}

func (m Moment) proof() string {
	text := "taken " + m.Taken + ", SHA-256 " + m.SHA256
	if m.Signed != "" {
		text += ", signed by " + m.Signed
	}
	return text
}

func texts(items []Item) []string {
	var out []string
	for _, x := range items {
		text := string(x.Severity) + ": " + x.Summary
		if x.Note != "" {
			text += " – " + x.Note
		}
		out = append(out, text)
	}
	return out
}
