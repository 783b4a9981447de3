package job

import (
	"context"
	"errors"
	"fmt"
	"path"
	"path/filepath"
	"slices"
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

// Replan is nil when the job may have a work order, or another one: until the first update begins.
func (v *Visit) Replan() error {
	switch err := v.Ledger.Open(); {
	case err != nil:
		return err
	case v.Before == nil:
		return errors.New("plan: take the snapshot before the work first")
	case v.After != nil:
		return errors.New("plan: the snapshot after the work is taken")
	case v.Order != nil && !v.Follower.Waiting():
		return errors.New("plan: the first update has begun: its order stays")
	}
	return nil
}

// PutOrder takes a work order into the job, with the sheets that it was made from. The order before it, and its sheets, stay in the folder.
func (v *Visit) PutOrder(ctx context.Context, by string, o *release.Order, sheets []release.SheetFile) error {
	var lines []FileLine
	var texts [][]byte
	if !v.madeFrom(sheets) {
		dir := v.newSheetDir()
		for _, s := range sheets {
			lines, texts = append(lines, FileLine{File: dir + "/" + path.Base(s.Name), What: Sheet}), append(texts, s.Data)
		}
	}
	text, err := o.JSON()
	if err != nil {
		return err
	}
	lines, texts = append(lines, FileLine{File: v.Name("order.json"), What: Order}), append(texts, text)
	return v.putAll(ctx, Planned, by, lines, texts, v.Replan)
}

// madeFrom reports whether the order was made from these very sheets.
func (v *Visit) madeFrom(sheets []release.SheetFile) bool {
	return slices.EqualFunc(v.sheets, sheets, func(f FileLine, s release.SheetFile) bool {
		return path.Base(f.File) == path.Base(s.Name) && f.SHA256 == Digest(s.Data)
	})
}

// newSheetDir names a folder that no sheet of the job is in.
func (v *Visit) newSheetDir() string {
	dir := "sheets"
	for n := 2; slices.ContainsFunc(v.Files, func(f FileLine) bool { return path.Dir(f.File) == dir }); n++ {
		dir = fmt.Sprintf("sheets-%d", n)
	}
	return dir
}

// SheetDir is the folder of the release sheets that the job was planned with; "" without any.
func (v *Visit) SheetDir() string {
	if len(v.sheets) == 0 {
		return ""
	}
	return filepath.Join(v.Dir, filepath.FromSlash(path.Dir(v.sheets[0].File)))
}

// Sheets are the release sheets that the job was planned with; nil without an order.
func (v *Visit) Sheets(ctx context.Context) (*release.Sheets, error) {
	files, err := v.SheetFiles(ctx)
	if len(files) == 0 || err != nil {
		return nil, err
	}
	return release.Load(ctx, files...)
}

// SheetFiles are their very texts.
func (v *Visit) SheetFiles(ctx context.Context) (files []release.SheetFile, err error) {
	for _, f := range v.sheets {
		data, err := v.Read(ctx, f)
		if err != nil {
			return nil, err
		}
		files = append(files, release.SheetFile{Name: f.File, Data: data})
	}
	return files, nil
}
