package render

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"

	"muster/internal/job"
	"muster/internal/snapshot"
)

// JobPapers makes the record of a job as PDF, HTML, JSON and CSV, from what is in its folder and from nothing else. Both snapshots are
// there. keys are those that the job is then closed with; with one, the PDF is signed too, in a file of its own.
func JobPapers(ctx context.Context, v *job.Visit, keys ...job.Signer) (files []job.FileLine, data [][]byte, err error) {
	r, err := jobRecord(ctx, v, keys)
	if err != nil {
		return nil, nil, fmt.Errorf("make the record: %w", err)
	}
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
	if err := e.Encode(r.Account); err != nil {
		return nil, nil, fmt.Errorf("make the record: %w", err)
	}
	for _, name := range []string{"record.pdf", "record.html", "record.json", "record.csv"} {
		files = append(files, job.FileLine{File: v.Name(name), What: job.Paper})
	}
	data = [][]byte{pdf.Bytes(), html.Bytes(), text.Bytes(), r.Account.CSV()}
	if len(keys) > 0 {
		jws, err := snapshot.SignDetached(keys[0].Key, pdf.Bytes())
		if err != nil {
			return nil, nil, fmt.Errorf("make the record: %w", err)
		}
		files, data = append(files, job.FileLine{File: files[0].File + snapshot.DetachedExt, What: job.Paper}), append(data, jws)
	}
	return files, data, nil
}

// jobRecord is the content of a job's record.
func jobRecord(ctx context.Context, v *job.Visit, keys []job.Signer) (*job.Record, error) {
	of, err := v.Job(ctx)
	if err != nil {
		return nil, err
	}
	account := v.Account(keys)
	account.TimeZone = of.Location().String()
	sheets, err := v.Sheets(ctx)
	if err != nil {
		return nil, err
	}
	opt := snapshot.Options{Proved: true, Because: account.Because}
	if sheets != nil {
		opt.Order = sheets.Order
	}
	changes, err := snapshot.Compare(v.Before, v.After, opt)
	if err != nil {
		return nil, err
	}
	r, err := job.NewRecord(v.Before, v.After, changes, of, account.Steps)
	if err != nil {
		return nil, err
	}
	r.Account, account.Sentence = account, ""
	account.Sentence = recordVerdict(r)
	r.Photos, err = photos(ctx, v)
	return r, err
}

// Photos in a record: their longest side in pixels, and the quality of their JPEG.
const (
	photoSide    = 1000
	photoQuality = 75
)

// photos are the photos of a job, scaled down so that the record stays small. One at a time is decoded.
func photos(ctx context.Context, v *job.Visit) (list []job.Picture, err error) {
	for _, f := range v.Files {
		if f.What != job.Photo {
			continue
		}
		data, err := v.Read(ctx, f)
		if err != nil {
			return nil, err
		}
		if err := job.CheckPhoto(data); err != nil {
			return nil, fmt.Errorf("%s: %w", f.File, err)
		}
		p, err := job.Shrink(data, photoSide, photoQuality)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", f.File, err)
		}
		p.File, p.Text = f.File, f.Text
		list = append(list, p)
	}
	return list, nil
}
