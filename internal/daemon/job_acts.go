package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/render"
)

// OpenJob implements api.Jobs.
func (k *jobs) OpenJob(ctx context.Context, o api.NewJob) error {
	for _, p := range []*string{&o.By, &o.Number, &o.Boat, &o.Customer, &o.Place, &o.AskedFor} {
		*p = boat.Printable(strings.TrimSpace(*p))
	}
	if err := named(o.By); err != nil {
		return err
	}
	return k.do(ctx, func(ctx context.Context) error {
		if k.visit != nil && k.visit.Ledger.Open() == nil {
			return fmt.Errorf("open job: %w", api.ErrJobOpen)
		}
		folder, err := k.newFolder(o.Number)
		if err != nil {
			return fmt.Errorf("open job: %w", err)
		}
		view := k.view()
		opening := job.Opening{Number: cmp.Or(o.Number, folder), Boat: cmp.Or(o.Boat, view.report.Boat.Name),
			Customer: o.Customer, Place: o.Place, AskedFor: o.AskedFor}
		shared := view.job
		if shared == nil {
			shared = new(job.Job)
		}
		if _, err := job.Begin(ctx, filepath.Join(k.dir, folder), onBoat, o.By, opening, shared, k.now()); err != nil {
			return fmt.Errorf("open job: %w", err)
		}
		k.names = append(k.names, folder)
		k.load(ctx, folder)
		if k.live() == nil {
			return nil // the page says that the snapshot is to be taken
		}
		return k.takeSnapshot(ctx, o.By, job.FileLine{File: "before.json", What: job.Before})
	})
}

// open is the latest job, which is not closed.
func (k *jobs) open() (*job.Visit, error) {
	switch {
	case k.visit == nil:
		return nil, api.ErrNoJob
	case k.visit.Ledger.Closed():
		return nil, fmt.Errorf("job %s: %w: open it again first, with a reason", k.folder, job.ErrClosed)
	}
	return k.visit, k.visit.Ledger.Open()
}

// ActOnJob implements api.Jobs.
func (k *jobs) ActOnJob(ctx context.Context, a api.JobAct) error {
	a.By, a.Because = boat.Printable(strings.TrimSpace(a.By)), boat.Printable(strings.TrimSpace(a.Because))
	if err := named(a.By); err != nil {
		return err
	}
	return k.do(ctx, func(ctx context.Context) error {
		v, err := k.open()
		switch {
		case err != nil:
			return err
		case a.Do == "before" && v.Before != nil, a.Do == "after" && v.After != nil:
			return fmt.Errorf("snapshot %s the work: the job has it already", a.Do)
		case a.Do == "hand-over":
			if err := k.endTraffic(ctx); err != nil {
				return err
			}
			return k.handOver(ctx, v, a)
		case a.Do != "before" && v.Before == nil:
			return errors.New("take the snapshot before the work first")
		}
		switch a.Do {
		case "before":
			return k.takeSnapshot(ctx, a.By, job.FileLine{File: "before.json", What: job.Before})
		case "plan":
			return k.planJob(ctx, v, a)
		case "after":
			if err := k.takeSnapshot(ctx, a.By, job.FileLine{File: v.Name("after.json"), What: job.After, Because: a.Because}); err != nil || v.Follower == nil {
				return err
			}
			_, err := v.Observe(ctx, v.After.TakenAt(), v.After.Report, release.Conditions{})
			return err
		case "close":
			return k.closeJob(ctx, v, a.By)
		}
		return fmt.Errorf("do: %q is none of before, plan, after, close and hand-over", a.Do)
	})
}

// takeSnapshot takes a snapshot into the job. It is on the page Snapshots too, and goes to the hub.
func (k *jobs) takeSnapshot(ctx context.Context, by string, f job.FileLine) error {
	s, err := k.snapshot()
	if err != nil {
		return err
	}
	return k.visit.PutSnapshot(ctx, by, f, s)
}

func (k *jobs) planJob(ctx context.Context, v *job.Visit, a api.JobAct) error {
	if err := v.Replan(); err != nil {
		return err
	}
	sheets, files, err := k.loadSheets(ctx)
	if err != nil {
		return err
	}
	if sheets == nil {
		return errors.New("plan: no release sheets: name their folder in the config, under sheets")
	}
	choice := release.Choice{Without: a.Without, Releases: a.Releases, Turns: a.Turns, By: a.By}
	if err := choice.Resolve(v.Before.Report, sheets); err != nil {
		return fmt.Errorf("plan: %w", err)
	}
	order, _ := v.Plan(sheets, release.Options{Choice: choice})
	return v.PutOrder(ctx, a.By, order, files)
}

// closeJob makes the record, signs the ledger, and sends the record to the hub.
func (k *jobs) closeJob(ctx context.Context, v *job.Visit, by string) error {
	if v.After == nil {
		return errors.New("close: take the snapshot after the work first")
	}
	if err := k.endTraffic(ctx); err != nil {
		return err
	}
	files, data, err := render.JobPapers(ctx, v, k.keys...)
	if err != nil {
		return err
	}
	if err := v.PutAll(ctx, job.Recorded, by, files, data); err != nil {
		return err
	}
	if err := v.Close(ctx, by, k.keys...); err != nil {
		return err
	}
	for i, f := range files {
		if k.send != nil && strings.HasSuffix(f.File, ".pdf") {
			k.send("job-"+k.folder+".pdf", "application/pdf", data[i])
		}
	}
	return nil
}

// AddToJob implements api.Jobs.
func (k *jobs) AddToJob(ctx context.Context, e api.JobEntry) error {
	for _, p := range []*string{&e.By, &e.Version, &e.Reading, &e.Reason, &e.Text, &e.Number, &e.Network, &e.Fault} {
		*p = boat.Printable(strings.TrimSpace(*p))
	}
	if err := named(e.By); err != nil {
		return err
	}
	return k.do(ctx, func(ctx context.Context) error {
		v := k.visit
		if e.Kind != job.Reopened || v == nil {
			var err error
			if v, err = k.open(); err != nil {
				return err
			}
		}
		err := v.Update(ctx, func() ([]job.Entry, error) {
			entry, err := entryOf(v, &e)
			return []job.Entry{entry}, err
		})
		if err == nil && (e.Kind == job.ReadByHand || e.Kind == job.Settled) {
			k.observe(ctx)
		}
		return err
	})
}

// entryOf is what goes into the ledger of what a person says, checked against the job.
func entryOf(v *job.Visit, e *api.JobEntry) (job.Entry, error) {
	out := job.Entry{Kind: e.Kind, By: e.By}
	var err error
	switch e.Kind {
	case job.HoldPoint:
		t := job.Tick{Point: e.Point, Reading: e.Reading, Photo: e.Photo}
		out.Data, err = t, v.CheckTick(t)
	case job.Waived:
		out.Data = job.Waiver{Check: e.Check, Reason: e.Reason}
		err = errors.Join(v.CheckPreCheck(e.Check), given("reason", e.Reason))
	case job.ReadByHand:
		out.About, out.Data = &job.About{Step: e.Step}, job.ByHand{Version: e.Version}
		err = errors.Join(v.CheckStep(e.Step), given("version", e.Version))
	case job.Settled:
		if err = errors.Join(v.CheckStep(e.Step), given("reason", e.Reason)); err == nil && e.Version == "" {
			i := slices.IndexFunc(v.Order.Steps(), func(s *release.Step) bool { return s.ID == e.Step })
			e.Version = v.Order.Steps()[i].To
		}
		out.About, out.Data = &job.About{Step: e.Step}, job.ByHand{Version: e.Version, Reason: e.Reason}
	case job.Reading:
		m := job.Measured{Network: e.Network, Reading: e.Reading, Corrects: e.Line, Likely: e.Likely}
		out.Data, err = m, v.CheckMeasured(m)
	case job.Found:
		part, fault, _ := strings.Cut(e.Fault, ": ")
		out.Data, err = job.FoundFault{Network: e.Network, Part: part, Fault: fault, How: e.Text}, given("fault", fault)
	case job.Note:
		out.Data, err = job.Words{Text: e.Text}, given("text", e.Text)
	case job.Hours:
		out.Data = job.Work{Minutes: e.Minutes, Kind: e.Text}
		if e.Minutes < 1 || e.Minutes > 60_000 {
			err = fmt.Errorf("hours: %d minutes is no time worked: enter 1.5", e.Minutes)
		}
	case job.Part:
		out.Data, err = job.PartUsed{Number: e.Number, Name: e.Text, Count: max(e.Count, 1)}, given("name of the part", e.Text)
	case job.SignedOff:
		out.Data, err = signature(e)
	case job.Reopened:
		if out.Data, err = (job.Words{Text: e.Reason}), given("reason", e.Reason); !v.Ledger.Closed() {
			err = errors.New("open again: the job is open")
		}
	default:
		err = fmt.Errorf("kind: %q is nothing that a person puts into a job", e.Kind)
	}
	return out, err
}

// Bounds of a signature.
const (
	maxPoints  = 5000
	strokeSide = 1000 // points are from 0 to it
)

// signature is what a customer agrees with: strokes drawn with a finger, or a typed name.
func signature(e *api.JobEntry) (job.Words, error) {
	n := 0
	for _, stroke := range e.Strokes {
		if len(stroke) == 0 {
			return job.Words{}, errors.New("signature: a line has no point: sign again")
		}
		n += len(stroke)
		for _, p := range stroke {
			if min(p[0], p[1]) < 0 || max(p[0], p[1]) > strokeSide {
				return job.Words{}, fmt.Errorf("signature: a point is outside 0 to %d", strokeSide)
			}
		}
	}
	if n > maxPoints {
		return job.Words{}, fmt.Errorf("signature: it has %d points, the limit is %d: sign again", n, maxPoints)
	}
	if n == 0 {
		return job.Words{Text: "agreed, name typed"}, nil
	}
	return job.Words{Text: "agreed, signed on the screen", Strokes: e.Strokes}, nil
}

// named refuses an entry without its author.
func named(by string) error {
	if by == "" || len(by) > 240 {
		return errors.New("by: enter your name, 60 characters at most")
	}
	return nil
}

// given refuses a text without content.
func given(what, text string) error {
	if text == "" || len(text) > 8000 {
		return fmt.Errorf("%s: enter it, 2000 characters at most", what)
	}
	return nil
}

// AddPicture implements api.Jobs.
func (k *jobs) AddPicture(ctx context.Context, by, text string, picture []byte) (name string, err error) {
	by, text = boat.Printable(strings.TrimSpace(by)), boat.Printable(strings.TrimSpace(text))
	if err := named(by); err != nil {
		return "", err
	}
	clean, err := job.CleanPicture(picture)
	if err != nil {
		return "", err
	}
	name = "photos/" + job.Digest(clean)[:16] + ".jpg"
	return name, k.do(ctx, func(ctx context.Context) error {
		v, err := k.open()
		if err != nil || v.Has(name) { // sent again after the link was lost
			return err
		}
		return v.Put(ctx, job.Attached, by, job.FileLine{File: name, What: job.Photo, Text: text}, clean)
	})
}

// JobFile implements api.Jobs.
func (k *jobs) JobFile(ctx context.Context, name string) (data []byte, err error) {
	err = k.do(ctx, func(ctx context.Context) error {
		if k.visit != nil {
			for _, f := range k.visit.Files {
				if f.File == name {
					data, err = k.visit.Read(ctx, f)
					return err
				}
			}
		}
		return fmt.Errorf("file %q: %w", name, api.ErrNoSuch)
	})
	return data, err
}

// work is the work order that is being followed, and the state of each step; nil for none. Callable from anywhere.
func (k *jobs) work() *api.Work {
	j := k.shown.Load()
	if !j.Open() || j.Work.Order == nil || j.Stage == api.StageRecord {
		return nil
	}
	return &j.Work
}
