package job

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/input"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/snapshot"
)

// maxFile bounds a file of a job that is read whole.
const maxFile = 64 << 20

// Visit is a job as its folder holds it: everything in it is calculated from the ledger's lines and the files that
// they name. One goroutine uses a Visit; others may have their own of the same folder.
type Visit struct {
	Dir    string
	Ledger *Ledger

	Opening  Opening
	Chapter  int // 1, and one more each time that it was opened again
	Files    []FileLine
	Before   *snapshot.Snapshot // nil until it was taken
	After    *snapshot.Snapshot // of this chapter
	Order    *release.Order     // nil without one
	Follower *release.Follower  // the state of each step; nil without an order
	Ticked   map[string]*Line   // hold points, by id
	Waived   map[string]*Line   // pre-checks, by id
	Outside  map[string]Outside // units that changed and that no step is about, by id
	Decided  []boat.Decision    // by hand, of which presences are one unit; those in force
	Search   []Searched         // for a fault
	Notes    []*Line
	Hours    []Work
	Parts    []PartUsed
	SignOff  *Line

	Changes []release.StepChange // what the lines read last brought about, for Take
	sheets  []FileLine           // that the order was made from
	unbound []FileLine           // sheets whose order comes behind them
	taken   int                  // lines
}

// ErrNoJob means that a folder holds no job.
var ErrNoJob = errors.New("there is no job in this folder")

// LoadVisit reads the job of a folder. on is where this program runs: laptop, boat or hub.
func LoadVisit(ctx context.Context, dir, on string) (*Visit, error) {
	v, err := begin(ctx, dir, on)
	if err != nil {
		return nil, err
	}
	if len(v.Ledger.Lines) == 0 {
		return nil, fmt.Errorf("%q: %w", dir, ErrNoJob)
	}
	return v, v.take(ctx)
}

func begin(ctx context.Context, dir, on string) (*Visit, error) {
	l, err := OpenLedger(ctx, dir, on)
	if err != nil {
		return nil, err
	}
	return &Visit{Dir: dir, Ledger: l, Chapter: 1, Ticked: map[string]*Line{}, Waived: map[string]*Line{},
		Outside: map[string]Outside{}}, nil
}

// Create opens a job in a folder that holds none. A person must be named as its author.
func Create(ctx context.Context, dir, on, by string, o Opening) (*Visit, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("open job: %w", err)
	}
	v, err := begin(ctx, dir, on)
	if err != nil {
		return nil, err
	}
	if len(v.Ledger.Lines) > 0 {
		return nil, fmt.Errorf("open job: %q holds one already", dir)
	}
	return v, v.Add(ctx, Entry{Kind: Opened, By: by, Data: o})
}

// SetClock lets lines have another time than that of this computer's clock. by tells what that time is by: system, gnss or unset.
func (v *Visit) SetClock(now func() time.Time, by func() string) {
	v.Ledger.now, v.Ledger.clock = now, by
}

// Add puts lines into the ledger and takes them up.
func (v *Visit) Add(ctx context.Context, entries ...Entry) error {
	return v.Update(ctx, func() ([]Entry, error) { return entries, nil })
}

// Update is Ledger.Update with everything taken up that the ledger holds, before decide and after.
func (v *Visit) Update(ctx context.Context, decide func() ([]Entry, error)) error {
	v.Changes = nil
	err := v.Ledger.Update(ctx, func() ([]Entry, error) {
		if err := v.take(ctx); err != nil {
			return nil, err
		}
		return decide()
	})
	if err != nil {
		return err
	}
	return v.take(ctx)
}

// take folds the lines in that it has not taken yet.
func (v *Visit) take(ctx context.Context) error {
	for ; v.taken < len(v.Ledger.Lines); v.taken++ {
		line := v.Ledger.Lines[v.taken]
		if err := v.fold(ctx, line); err != nil {
			return fmt.Errorf("job %q: line %d: %w", v.Dir, line.N, err)
		}
	}
	return nil
}

func (v *Visit) fold(ctx context.Context, line *Line) error {
	switch line.Kind {
	case Opened:
		return line.Into(&v.Opening)
	case Reopened:
		v.Chapter, v.After, v.SignOff = v.Chapter+1, nil, nil
	case Snapshot, Planned, Captured, Attached, Recorded:
		return v.foldFile(ctx, line)
	case HoldPoint:
		var t Tick
		if err := line.Into(&t); err != nil {
			return err
		}
		v.Ticked[t.Point] = line
	case Waived:
		var w Waiver
		if err := line.Into(&w); err != nil {
			return err
		}
		v.Waived[w.Check] = line
	case ChangedOutside:
		var o Outside
		if err := line.Into(&o); err != nil {
			return err
		}
		if was, ok := v.Outside[line.unit()]; ok {
			o.From = was.From
		}
		v.Outside[line.unit()] = o
	case Identity:
		return v.foldDecision(line)
	case Reading, Found:
		return v.foldSearch(line)
	case Note:
		v.Notes = append(v.Notes, line)
	case SignedOff:
		v.SignOff = line
	case Hours:
		var w Work
		if err := line.Into(&w); err != nil {
			return err
		}
		v.Hours = append(v.Hours, w)
	case Part:
		var p PartUsed
		if err := line.Into(&p); err != nil {
			return err
		}
		v.Parts = append(v.Parts, p)
	default:
		return v.foldStep(ctx, line)
	}
	return nil
}

// foldStep takes up a line about a step. What a person read is checked by the follower, which has what the network
// showed before it.
func (v *Visit) foldStep(ctx context.Context, line *Line) error {
	step := line.Step()
	if step == "" {
		return nil
	}
	if v.Follower == nil {
		return fmt.Errorf("it is about step %s, and no order was planned before it", input.Quote(step))
	}
	if line.Kind == ReadByHand || line.Kind == Settled {
		var h ByHand
		if err := line.Into(&h); err != nil {
			return err
		}
		changes, err := v.Follower.Confirm(line.At, step, release.Reading{Version: h.Version, By: line.By, Reason: h.Reason})
		v.Changes = append(v.Changes, changes...)
		return err
	}
	var s StepLine
	if err := line.Into(&s); err != nil {
		return err
	}
	return v.Follower.Recall(ctx, step, s.Step)
}

func (l *Line) unit() string {
	if l.About == nil {
		return ""
	}
	return l.About.Unit
}

// foldFile takes up a file that a line names.
func (v *Visit) foldFile(ctx context.Context, line *Line) error {
	var f FileLine
	if err := line.Into(&f); err != nil {
		return err
	}
	v.Files = append(v.Files, f)
	switch f.What {
	case Sheet:
		v.unbound = append(v.unbound, f)
	case Before, After:
		data, err := v.Read(ctx, f)
		if err != nil {
			return err
		}
		s, err := snapshot.Decode(data)
		if err != nil {
			return fmt.Errorf("%s: %w", f.File, err)
		}
		if f.What == After {
			v.After = s
			return nil
		}
		v.Before = s
	case Order:
		data, err := v.Read(ctx, f)
		if err != nil {
			return err
		}
		if v.Order, err = release.ParseOrder(ctx, data); err != nil {
			return fmt.Errorf("%s: %w", f.File, err)
		}
		if v.Before == nil {
			return fmt.Errorf("%s: an order without the snapshot that it was made from", f.File)
		}
		if len(v.unbound) > 0 {
			v.sheets, v.unbound = v.unbound, nil
		}
		if v.Follower, err = release.NewFollower(v.Order, v.Before.Report); err != nil {
			return fmt.Errorf("%s: %w", f.File, err)
		}
	}
	return nil
}

// Read reads a file of the job and compares it with its line in the ledger.
func (v *Visit) Read(ctx context.Context, f FileLine) ([]byte, error) {
	path, err := v.path(f.File)
	if err != nil {
		return nil, err
	}
	if err := v.verify(f); err != nil {
		return nil, err
	}
	return input.File(ctx, path, maxFile)
}

// path is where a file of the job lies; a name that leads out of the folder is refused.
func (v *Visit) path(name string) (string, error) {
	if !filepath.IsLocal(filepath.FromSlash(name)) {
		return "", fmt.Errorf("the file name %s leads out of the job's folder", input.Quote(name))
	}
	return filepath.Join(v.Dir, filepath.FromSlash(name)), nil
}

// Name is a name that no file of the job has yet: record.pdf, and record-2.pdf when the job was opened again.
func (v *Visit) Name(base string) string {
	ext := filepath.Ext(base)
	name := base
	for n := 2; v.Has(name); n++ {
		name = fmt.Sprintf("%s-%d%s", strings.TrimSuffix(base, ext), n, ext)
	}
	return name
}

// Put writes a file into the folder and into the ledger: see PutAll.
func (v *Visit) Put(ctx context.Context, kind Kind, by string, f FileLine, data []byte) error {
	return v.PutAll(ctx, kind, by, []FileLine{f}, [][]byte{data})
}

// PutAll writes files into the folder and into the ledger, all or none. One that the ledger names is not written over; the same content
// twice is refused.
func (v *Visit) PutAll(ctx context.Context, kind Kind, by string, files []FileLine, data [][]byte) error {
	return v.putAll(ctx, kind, by, files, data, v.Ledger.Open)
}

// putAll is PutAll when may gives no error, which it is asked when nothing else can come between.
func (v *Visit) putAll(
	ctx context.Context, kind Kind, by string, files []FileLine, data [][]byte, may func() error,
) error {
	return v.Update(ctx, func() (entries []Entry, err error) {
		if err := may(); err != nil {
			return nil, err
		}
		for i, f := range files {
			f.SHA256, f.Bytes = Digest(data[i]), int64(len(data[i]))
			once := f.What != Paper && f.What != Sheet
			if k := slices.IndexFunc(v.Files, func(x FileLine) bool { return x.SHA256 == f.SHA256 }); once && k >= 0 {
				return nil, fmt.Errorf("%s: the job has it already, as %s", f.File, v.Files[k].File)
			}
			if v.Has(f.File) {
				return nil, fmt.Errorf("%s: the job has a file of this name", f.File)
			}
			path, err := v.path(f.File)
			if err != nil {
				return nil, err
			}
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				return nil, err
			}
			if err := input.WriteFile(path, data[i], 0o644); err != nil {
				return nil, err
			}
			entries = append(entries, Entry{Kind: kind, By: by, Data: f})
		}
		return entries, nil
	})
}

// Kinds of line by the state that a step reached.
var stepKinds = map[release.StepState]Kind{
	release.StepLeft: Left, release.StepBack: Back, release.StepIdentified: Reported, release.StepReentry: AwaitingReentry,
	release.StepVerified: Confirmed, release.StepFailed: Failed, release.StepDisputed: Disputed,
}

// Observe takes the boat as it is now: the steps go on, and what they did is in the ledger when it returns. So is a unit that changed and
// that no step is about; without an order that is each one.
func (v *Visit) Observe(
	ctx context.Context, now event.Time, r *report.Report, c release.Conditions,
) ([]release.StepChange, error) {
	var changes []release.StepChange
	err := v.Update(ctx, func() ([]Entry, error) {
		if err := v.Ledger.Open(); err != nil {
			return nil, err
		}
		changes = append(changes, v.Changes...)
		if v.Follower == nil {
			return v.outside(r), nil
		}
		own := v.Follower.Observe(now, r, c)
		changes = append(changes, own...)
		var entries []Entry
		for _, x := range own {
			saved, err := v.Follower.Remember(x.Step)
			if err != nil {
				return nil, err
			}
			kind := Noticed
			if x.From != x.To {
				kind = stepKinds[x.To]
			}
			entries = append(entries, Entry{Kind: kind, By: "muster", About: &About{Unit: x.Device, Step: x.Step}, Data: StepLine{x.Note, saved}})
		}
		return slices.Concat(entries, v.outside(r), v.decided(r)), nil
	})
	return changes, err
}

// outside finds units that changed their software and that no step is about.
func (v *Visit) outside(r *report.Report) (entries []Entry) {
	for _, u := range r.Aboard() {
		was := v.Before.Report.Unit(u.ID)
		planned := func(s *release.Step) bool { return slices.Contains(was.IDs(), s.Device.ID) }
		if was == nil || v.Order != nil && slices.ContainsFunc(v.Order.Steps(), planned) {
			continue
		}
		from, to := was.Device.Version(), u.Device.Version()
		if known, ok := v.Outside[u.ID]; ok {
			from = known.To
		}
		if from != "" && to != "" && from != to {
			entries = append(entries, Entry{Kind: ChangedOutside, By: "muster", About: &About{Unit: u.ID},
				Data: Outside{u.Device.Label(), from, to}})
		}
	}
	return entries
}

// Keep takes a capture into the ledger that was written into the folder.
func (v *Visit) Keep(ctx context.Context, by, name string) error { return v.keep(ctx, by, name, "") }

func (v *Visit) keep(ctx context.Context, by, name, text string) error {
	path, err := v.path(name)
	if err != nil {
		return err
	}
	sum, n, err := digestOf(path)
	if err != nil {
		return err
	}
	return v.Add(ctx, Entry{Kind: Captured, By: by, Data: FileLine{File: name, SHA256: sum, Bytes: n, What: Traffic, Text: text}})
}

// digestOf is the SHA-256 of a file, of whatever size, and its length.
func digestOf(path string) (string, int64, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	h := sha256.New()
	n, err := io.Copy(h, f)
	return hex.EncodeToString(h.Sum(nil)), n, err
}

// verify compares a file of the job with its line in the ledger.
func (v *Visit) verify(f FileLine) error {
	path, err := v.path(f.File)
	if err != nil {
		return err
	}
	sum, _, err := digestOf(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s is missing: put it back from a copy", f.File)
	case err != nil:
		return err
	case sum != f.SHA256:
		return fmt.Errorf("%s was altered: its SHA-256 is %s, not %s", f.File, sum, f.SHA256)
	}
	return nil
}

// Job is the job file of the folder: what the shop's jobs share, and who this one is for.
func (v *Visit) Job(ctx context.Context) (*Job, error) {
	for _, f := range v.Files {
		if f.What != JobFile {
			continue
		}
		data, err := v.Read(ctx, f)
		if err != nil {
			return nil, err
		}
		return Parse(ctx, f.File, data)
	}
	return &Job{Number: v.Opening.Number}, nil
}

// Close closes the job, signed with each of the keys.
func (v *Visit) Close(ctx context.Context, by string, keys ...Signer) error {
	if err := v.Ledger.Close(ctx, by, keys...); err != nil {
		return err
	}
	return v.take(ctx)
}
