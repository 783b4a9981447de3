package job

import (
	"context"
	"fmt"
	"path"
	"time"

	"muster/internal/input"
	"muster/internal/release"
	"muster/internal/snapshot"
)

// Begin opens a job in a folder that holds none, with its job file: what the shop's jobs share, and who this one is for.
func Begin(ctx context.Context, dir, on, by string, o Opening, shared *Job, at time.Time) (*Visit, error) {
	v, err := Create(ctx, dir, on, by, o)
	if err != nil {
		return nil, err
	}
	written := *shared
	written.Number, written.Customer, written.Place = o.Number, o.Customer, o.Place
	written.Work, written.Technician = o.AskedFor, by
	written.Date = at.Format("2 January 2006")
	written.Shop.Logo = ""
	text, err := input.EncodeYAML(&written)
	if err != nil {
		return nil, err
	}
	return v, v.Put(ctx, Attached, by, FileLine{File: "job.yaml", What: JobFile}, text)
}

// PutSnapshot takes a sealed snapshot into the job. After the work, one of another boat is refused, unless f gives the reason to take it.
func (v *Visit) PutSnapshot(ctx context.Context, by string, f FileLine, s *snapshot.Snapshot) error {
	if v.Before != nil {
		if err := sameMoment(v.Before, s); err != nil {
			return fmt.Errorf("%s: %w", f.File, err)
		}
		shared := snapshot.Share(v.Before.Report, s.Report)
		if f.Shared, f.Of = shared.Units, shared.Of; f.Because == "" {
			if _, err := snapshot.Compare(v.Before, s, snapshot.Options{Proved: true}); err != nil {
				return fmt.Errorf("%s does not belong to this job: %w", f.File, err)
			}
		}
	}
	data, err := s.Encode()
	if err != nil {
		return err
	}
	if err := v.Put(ctx, Snapshot, by, f, data); err != nil {
		return err
	}
	return v.Decide(ctx, s.Report)
}

// Plan makes the work order from the snapshot before the work.
func (v *Visit) Plan(sheets *release.Sheets, opt release.Options) (*release.Order, []release.Problem) {
	return release.Plan(v.Before.Report, "sha256:"+v.Before.Seal.SHA256, "", sheets, opt)
}

// PutOrder takes a work order into the job, with the sheets that it was made from.
func (v *Visit) PutOrder(ctx context.Context, by string, o *release.Order, sheets []release.SheetFile) error {
	var lines []FileLine
	var texts [][]byte
	for _, s := range sheets {
		lines, texts = append(lines, FileLine{File: "sheets/" + path.Base(s.Name), What: Sheet}), append(texts, s.Data)
	}
	text, err := o.JSON()
	if err != nil {
		return err
	}
	lines, texts = append(lines, FileLine{File: "order.json", What: Order}), append(texts, text)
	return v.PutAll(ctx, Planned, by, lines, texts)
}

// Sheets are the release sheets that the job was planned with; nil without an order.
func (v *Visit) Sheets(ctx context.Context) (*release.Sheets, error) {
	var files []release.SheetFile
	for _, f := range v.Files {
		if f.What != Sheet {
			continue
		}
		data, err := v.Read(ctx, f)
		if err != nil {
			return nil, err
		}
		files = append(files, release.SheetFile{Name: f.File, Data: data})
	}
	if len(files) == 0 {
		return nil, nil
	}
	return release.Load(ctx, files...)
}
