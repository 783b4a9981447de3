package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/snapshot"
	"muster/internal/store"
)

// jobs keeps the boat's jobs, each in a folder of its own, and follows the latest until it is closed. All but shown, past and
// the channels belongs to the goroutine of run.
type jobs struct {
	log      zerolog.Logger
	dir      string // of the folders; "" before the first job of a program that keeps nothing
	lasting  bool   // the folders outlast the program
	now      func() time.Time
	view     func() *view
	sheets   func() (fs.FS, error)                 // the release sheets; nil without any
	snapshot func() (*snapshot.Snapshot, error)    // takes one of now
	keys     []job.Signer                          // that sign when a job is closed: the boat computer's own; none when it keeps nothing
	send     func(name, media string, data []byte) // to the hub

	names   []string       // of all folders, the latest last
	visit   *job.Visit     // the latest job, nil for none or one that cannot be read
	folder  string         // its name
	problem string         // why it cannot be read or followed
	plan    *release.Order // what the sheets make of it, until the first update
	offers  []release.Offer

	traffic      *trafficLog // nil keeps none
	noTraffic    bool        // no more is kept of this job: it is full, or something is wrong
	pieceBytes   int64
	trafficBytes int64

	shown atomic.Pointer[api.Job]
	past  atomic.Pointer[[]api.PastJob]
	acts  chan func()
	woken chan struct{} // one place: a report that was not looked at yet is replaced by the next
	done  chan struct{} // closed when run has ended
	once  sync.Once
}

// onBoat is where the daemon runs, in the words of a ledger.
const onBoat = "boat"

// folderName is that of a job's folder: numbered, so that the latest is the last by name whatever the clock showed.
var folderName = regexp.MustCompile(`^[0-9]{5}-[A-Za-z0-9._-]{1,60}$`)

// otherCharacters are what a folder's name does without.
var otherCharacters = regexp.MustCompile(`[^A-Za-z0-9._-]+`)

func newJobs(dir string, m *model, log zerolog.Logger) *jobs {
	k := &jobs{log: log, lasting: dir != "", now: m.time.now, view: m.view.Load, acts: make(chan func()), woken: make(chan struct{}, 1),
		done: make(chan struct{}), traffic: new(trafficLog), pieceBytes: maxPiece, trafficBytes: maxTraffic}
	m.traffic = k.traffic
	k.past.Store(&[]api.PastJob{})
	if k.lasting {
		k.dir = filepath.Join(dir, "jobs")
	}
	return k
}

// restore takes the latest job up.
func (k *jobs) restore(ctx context.Context) {
	var err error
	if k.names, err = k.folders(); err != nil {
		k.log.Error().Err(err).Msg("jobs cannot be listed")
	}
	if n := len(k.names); n > 0 {
		k.load(ctx, k.names[n-1])
	}
	k.show()
}

// keepEarlier writes a work order that an earlier version followed into a folder, with its progress; muster follow goes on with
// them. Nothing is removed from the store before that.
func (k *jobs) keepEarlier(s *store.Store) error {
	all := s.All(store.Work)
	if len(all) == 0 || !k.lasting {
		return nil
	}
	dir := filepath.Join(k.dir, "earlier")
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return err
	}
	for key, text := range all {
		if err := os.WriteFile(filepath.Join(dir, strings.ReplaceAll(key, "/", "-")+".json"), text, 0o640); err != nil {
			return err
		}
	}
	k.log.Warn().Str("folder", dir).Msg("a work order without a job is in this folder: muster follow goes on with it, a job on the page Work takes its place")
	s.Replace(store.Work, nil)
	return nil
}

// load reads the job of a folder. One that cannot be read is shown with the reason.
func (k *jobs) load(ctx context.Context, name string) {
	v, err := job.LoadVisit(ctx, filepath.Join(k.dir, name), onBoat)
	k.visit, k.folder, k.problem, k.plan, k.offers, k.noTraffic = v, name, "", nil, nil, false
	if err != nil {
		k.visit, k.problem = nil, err.Error()
		k.log.Error().Err(err).Str("folder", name).Msg("the latest job cannot be read")
		return
	}
	v.SetClock(k.now, k.clock)
}

// clock is what the time of a ledger's line is by.
func (k *jobs) clock() string {
	switch c := k.view().report.Clock; c {
	case boat.ClockGNSS, boat.ClockUnset:
		return string(c)
	}
	return string(boat.ClockSystem)
}

// folders lists the folders of jobs, the latest last.
func (k *jobs) folders() ([]string, error) {
	if k.dir == "" {
		return nil, nil
	}
	entries, err := os.ReadDir(k.dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var names []string
	for _, e := range entries {
		if e.IsDir() && folderName.MatchString(e.Name()) {
			names = append(names, e.Name())
		}
	}
	return names, err // sorted by name
}

// newFolder names the folder of a new job, and makes the one that holds all.
func (k *jobs) newFolder(number string) (string, error) {
	if k.dir == "" {
		dir, err := os.MkdirTemp("", "muster-jobs-*")
		if err != nil {
			return "", err
		}
		k.dir = dir
	}
	if err := os.MkdirAll(k.dir, 0o750); err != nil {
		return "", err
	}
	names, err := k.folders()
	if err != nil {
		return "", err
	}
	last := 0
	if n := len(names); n > 0 {
		if _, err := fmt.Sscanf(names[n-1], "%05d", &last); err != nil || last >= 99_999 {
			return "", fmt.Errorf("folder %q: there is no number after it: move old jobs out of %s", names[n-1], k.dir)
		}
	}
	slug := strings.Trim(otherCharacters.ReplaceAllString(number, "-"), "-.")
	return fmt.Sprintf("%05d-%s", last+1, cmp.Or(slug[:min(len(slug), 40)], "job")), nil
}

// wake lets run look at the latest report. It never waits.
func (k *jobs) wake() {
	select {
	case k.woken <- struct{}{}:
	default:
	}
}

// run follows the latest job until ctx ends.
func (k *jobs) run(ctx context.Context) {
	defer k.end()
	for {
		select {
		case act := <-k.acts:
			act()
		case <-k.woken:
			k.observe(context.WithoutCancel(ctx))
		case <-ctx.Done():
			if err := k.endTraffic(context.WithoutCancel(ctx)); err != nil {
				k.log.Error().Err(err).Msg("raw traffic of the job")
			}
			return
		}
	}
}

// end removes what is not to outlast the program.
func (k *jobs) end() {
	k.once.Do(func() {
		close(k.done)
		if !k.lasting && k.dir != "" {
			_ = os.RemoveAll(k.dir)
		}
	})
}

// do runs act on the goroutine of run. What it did is shown when do returns.
func (k *jobs) do(ctx context.Context, act func(ctx context.Context) error) error {
	answer := make(chan error, 1)
	asked := func() {
		err := act(context.WithoutCancel(ctx)) // a person who goes away takes nothing back that was begun
		k.show()
		answer <- err
	}
	select {
	case k.acts <- asked:
	case <-k.done:
		return errStopped
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-answer:
		return err
	case <-k.done:
		return errStopped
	}
}

// live is the boat as it is received now; nil before any traffic.
func (k *jobs) live() *job.Live {
	v := k.view()
	if v == nil || v.report == nil || v.report.TakenAt.IsZero() {
		return nil
	}
	return &job.Live{Report: v.report, Conditions: v.conditions.Conditions}
}

// following reports whether there is a job with steps to follow.
func (k *jobs) following() bool {
	return k.visit != nil && k.visit.Ledger.Open() == nil && k.visit.Order != nil && k.visit.After == nil
}

// observe takes the latest report into the job. What goes wrong is logged and shown once.
func (k *jobs) observe(ctx context.Context) {
	k.keepTraffic(ctx)
	live := k.live()
	if live == nil || k.visit == nil || k.visit.Ledger.Open() != nil {
		k.show()
		return
	}
	var changes []release.StepChange
	var err error
	if k.following() {
		changes, err = k.visit.Observe(ctx, live.Report.TakenAt, live.Report, live.Conditions)
	} else {
		err = k.visit.Decide(ctx, live.Report)
	}
	for _, c := range changes {
		k.log.Info().Str("step", c.Step).Str("device", c.Label).Str("state", string(c.To)).Str("note", c.Note).Msg("work order")
	}
	was := k.problem
	k.problem = ""
	if err != nil {
		if k.problem = err.Error(); k.problem != was {
			k.log.Error().Err(err).Msg("the job cannot be followed")
		}
	}
	k.show()
}

// show lets others see the job as it is now.
func (k *jobs) show() {
	past := []api.PastJob{}
	for i, name := range slices.Backward(k.names) {
		ended := i < len(k.names)-1 || k.visit != nil && k.visit.Ledger.Open() != nil
		past = append(past, api.PastJob{Folder: name, Closed: ended})
	}
	k.past.Store(&past)
	switch {
	case k.visit != nil:
		live, choosing := k.live(), k.visit.Replan() == nil
		if choosing && live != nil {
			live.Plan = k.proposal()
		}
		j := api.ShowJob(k.visit, live)
		j.Folder, j.Problem = k.folder, k.problem
		if j.Stage != api.StageClosed {
			j.Keys = k.keyNames()
		}
		if choosing {
			j.Plan, j.Offers = k.proposal(), k.offers
		}
		k.shown.Store(j)
	case k.folder != "":
		k.shown.Store(&api.Job{Folder: k.folder, Problem: k.problem, Stage: api.StageClosed})
	}
}

// proposal is the order that the sheets would make; nil without sheets.
func (k *jobs) proposal() *release.Order {
	if k.plan != nil || k.sheets == nil {
		return k.plan
	}
	sheets, _, err := k.loadSheets(context.Background())
	if err != nil {
		k.problem = err.Error()
		return nil
	}
	if sheets != nil {
		k.plan, _ = k.visit.Plan(sheets, release.Options{})
		k.offers = sheets.Offers(k.visit.Before.Report)
	}
	return k.plan
}

// loadSheets reads the release sheets, and their very texts; nil without any.
func (k *jobs) loadSheets(ctx context.Context) (*release.Sheets, []release.SheetFile, error) {
	folder, err := k.sheets()
	if folder == nil || err != nil {
		return nil, nil, err
	}
	files, err := release.ReadFS(ctx, folder, "sheets")
	if err != nil {
		return nil, nil, err
	}
	sheets, err := release.Load(ctx, files...)
	return sheets, files, err
}

// Job implements api.Jobs.
func (k *jobs) Job() *api.Job { return k.shown.Load() }

// PastJobs implements api.Jobs.
func (k *jobs) PastJobs() []api.PastJob { return slices.Clone(*k.past.Load()) }

// keyNames are the keys with which a job would be closed now.
func (k *jobs) keyNames() (names []job.KeyName) {
	for _, s := range k.keys {
		names = append(names, s.Name())
	}
	return names
}
