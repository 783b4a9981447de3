package render

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"muster/internal/event"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/snapshot"
)

// JobPapers makes the record of a job as PDF, HTML, JSON and CSV, from what is in its folder and from nothing else. Both snapshots are there.
func JobPapers(ctx context.Context, v *job.Visit) (files []job.FileLine, data [][]byte, err error) {
	told := v.Tell()
	sheets, err := v.Sheets(ctx)
	if err != nil {
		return nil, nil, err
	}
	opt := snapshot.Options{Proved: true, Because: told.Because}
	if sheets != nil {
		opt.Order = sheets.Order
	}
	changes, err := snapshot.Compare(v.Before, v.After, opt)
	if err != nil {
		return nil, nil, err
	}
	of, err := v.Job(ctx)
	if err != nil {
		return nil, nil, err
	}
	r, err := job.NewRecord(v.Before, v.After, changes, of, RecordSteps(told.Steps))
	if err != nil {
		return nil, nil, err
	}
	r.Told = told
	var pdf, html, text bytes.Buffer
	if err := ServiceRecordPDF(&pdf, r, v.After.TakenAt().UTC()); err != nil {
		return nil, nil, err
	}
	if err := ServiceRecordHTML(&html, r); err != nil {
		return nil, nil, err
	}
	e := json.NewEncoder(&text)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	if err := e.Encode(told); err != nil {
		return nil, nil, err
	}
	for _, name := range []string{"record.pdf", "record.html", "record.json", "record.csv"} {
		files = append(files, job.FileLine{File: v.Name(name), What: job.Paper})
	}
	return files, [][]byte{pdf.Bytes(), html.Bytes(), text.Bytes(), told.CSV()}, nil
}

// RecordSteps are the steps of a work order for the service record.
func RecordSteps(status []release.StepStatus) []job.Step {
	var out []job.Step
	for _, st := range status {
		notes := slices.Clone(st.Notes)
		for _, x := range st.Failures {
			notes = append(notes, x.Text)
		}
		if b := st.ByHand; b != nil {
			notes = append(notes, strings.TrimSpace("version read from its screen by "+b.By))
		}
		for _, a := range st.Attempts {
			for _, x := range a.Failures {
				notes = append(notes, fmt.Sprintf("attempt %d: %s", a.Number, x.Text))
			}
		}
		out = append(out, job.Step{Title: fmt.Sprintf("%s %s: %s to %s", st.Step, st.Label, st.From, st.To), State: StepWords(&st),
			Began: minuteOf(st.LeftAt), Ended: minuteOf(cmp.Or(st.VerifiedAt, st.FailedAt)), Note: strings.Join(notes, "; ")})
	}
	return out
}

func minuteOf(t event.Time) string {
	if t == 0 {
		return ""
	}
	return t.UTC().Format("2006-01-02 15:04")
}
