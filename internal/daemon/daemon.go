// Package daemon runs the parts of muster together and owns every goroutine.
//
// New makes the parts, Run lets them run and waits for them, Stop ends Run. Each part owns its state:
//
//   - sources reads, and sends, with two goroutines for each source;
//   - model is the boat and what is made of it: one goroutine, that of Run, feeds it and lets others see a view;
//   - keeper writes the store, with one goroutine;
//   - jobs keeps and follows the jobs, with one goroutine;
//   - notifiers notify the targets of the config and the hub, with a goroutine for each;
//   - the server of the API and the pages, with its own, sees the view and acts by the desk.
//
// Of its locks, reloading.mu, life.mu, queue.mu and trafficLog.mu, none is taken while another is held. Two are held over
// input and output: reloading.mu, for which only reloads wait, and trafficLog.mu, over writes of a job's raw traffic. All
// else that goroutines share is atomic and read-only.
package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/api"
	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/job"
	"muster/internal/pages"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/tap"
)

// Options are what a Daemon watches and how.
type Options struct {
	Config  config.Config
	Version string
	Log     zerolog.Logger
	SetLog  func(config.Log) // gives Log another level and format; a reload does not change them when nil
	Now     func() time.Time // default time.Now

	// Open opens a source as the command line writes it.
	Open func(spec string, transmit bool) (tap.Source, error)

	// Later opens a source that is not there yet, while others are; nil when all must be there at the start.
	Later func(spec string, transmit bool) (tap.Source, error)

	// Load reads the config again for a reload. May be nil, and then there is none to read.
	Load func(context.Context) (config.Config, error)

	// Known is a report of the same traffic, made while it was received. It gives Replay what no capture holds: what
	// kept the time, which devices were our own, and which did not identify themselves when asked. May be nil.
	Known *report.Report

	// Manual are devices entered by hand instead of those of the config's notes file. May be nil.
	Manual []boat.Manual

	// Layouts are plans of backbones instead of those of the config's layout files. May be nil.
	Layouts []*backbone.Layout

	// Sheets are release sheets for jobs instead of those of the config's folder. May be nil.
	Sheets fs.FS

	// OnReport receives every report, and in a replay one for every second of event time. It may be nil, keeps
	// nothing that it changes, and is called by the goroutine of Run or Replay.
	OnReport func(now event.Time, r *report.Report, c release.Conditions)

	// Recorded checks the boat by all that is received until the end, as an audit and a snapshot do, instead of
	// raising alerts when something has lasted. Replay always does.
	Recorded bool

	ReportEvery time.Duration // a report is made this often at most; default 1 s
	StopWithin  time.Duration // what has not ended by then is left behind; default 5 s

	firstRetry time.Duration        // wait after a failed delivery; default 1 s
	elapsed    func() time.Duration // a clock that is never set; default Now's, or the time since boot
	replay     bool                 // time is that of the events alone
	fleetLook  <-chan time.Duration // fleet.Options.Look
}

// Daemon watches one boat. It wires the parts and holds nothing of the boat itself.
type Daemon struct {
	opt       Options // Config is the one in force: it belongs to Reload
	log       zerolog.Logger
	sources   *sources
	model     *model
	keeper    *keeper     // nil in a replay
	notifiers *notifiers  // nil in a replay
	web       *api.Server // nil when nothing listens
	counts    *counts
	reload    reloading
	life      life
}

// life is how far a Daemon is between New and Stop.
type life struct {
	mu       sync.Mutex // guards the beginning of Run against Stop
	ended    bool       // Stop came before Run
	started  atomic.Bool
	stop     context.CancelFunc
	stopping context.Context
	begun    chan struct{} // closed when Run has reported that it runs
	done     chan struct{} // closed when Run has returned
	cleanup  sync.Once
	stopErr  error // of the cleanup
}

// New opens the sources and binds the listener; on an error everything is closed again. It starts nothing.
func New(ctx context.Context, opt Options) (_ *Daemon, err error) {
	switch {
	case opt.Now == nil:
		opt.Now, opt.elapsed = time.Now, sinceBoot
	case opt.elapsed == nil: // a clock of the caller's own is not set while it runs
		began := opt.Now()
		opt.elapsed = func() time.Duration { return opt.Now().Sub(began) }
	}
	opt.ReportEvery = cmp.Or(opt.ReportEvery, time.Second)
	opt.StopWithin = cmp.Or(opt.StopWithin, 5*time.Second)
	d := &Daemon{opt: opt, log: opt.Log.With().Str("component", "daemon").Logger()}
	d.life.begun, d.life.done = make(chan struct{}), make(chan struct{})
	d.life.stopping, d.life.stop = context.WithCancel(context.Background())
	d.counts = newCounts(d)
	d.sources = newSources(opt.Open, opt.Version, d.log)
	defer func() {
		if err != nil {
			d.closeAll()
			_ = d.closeStore()
		}
	}()
	c := &d.opt.Config
	if err := d.sources.openAll(c.Sources, opt.Later); err != nil {
		return nil, err
	}
	var traffic *api.Traffic
	if c.Listen != "off" {
		traffic = api.NewTraffic(0)
	}
	d.model = newModel(&d.opt, d.sources, traffic, d.log)
	d.model.took, d.model.done = d.counts.took, d.life.done
	known, err := loadKnowledge(ctx, &d.opt, c, d.log)
	if err != nil {
		return nil, err
	}
	var base baseline
	if !opt.replay {
		if base, err = d.takeUp(ctx); err != nil {
			return nil, err
		}
	}
	d.model.learn(known, base)
	d.model.show(d.model.report(), release.Conditions{})
	if !opt.replay {
		d.model.jobs = newJobs(c.StateDir, d.model, opt.Log.With().Str("component", "jobs").Logger())
		d.model.jobs.sheets = d.sheetFiles
		if err := d.model.jobs.keepEarlier(d.keeper.store); err != nil {
			d.log.Error().Err(err).Msg("a work order of an earlier version stays in the store")
		}
		if d.model.jobs.keys, err = boatKey(ctx, c.StateDir); err != nil {
			d.log.Error().Err(err).Msg("jobs are closed without a key")
			err = nil
		}
		d.model.jobs.restore(ctx)
	}
	if c.Listen != "off" {
		if err := d.listen(traffic); err != nil {
			return nil, err
		}
	}
	return d, nil
}

// takeUp opens the store, lets the model go on from there, and makes the notifiers ready.
func (d *Daemon) takeUp(ctx context.Context) (base baseline, err error) {
	c, m := &d.opt.Config, d.model
	if d.keeper, err = openKeeper(c, m.time.now, d.log); err != nil {
		return base, err
	}
	d.notifiers = &notifiers{log: d.log, boat: c.Boat, version: d.opt.Version, keeper: d.keeper, report: d.Report,
		url: d.URL, now: m.time.now, delay: d.counts.delay, firstRetry: d.opt.firstRetry, hubLook: d.opt.fleetLook,
		hubLog: d.opt.Log.With().Str("component", "fleet").Logger()}
	m.keeping.keeper, m.notifiers = d.keeper, d.notifiers
	m.watch.OnChange = m.changed
	m.restore()
	m.time.start(m.keeping.lastKnown())
	m.markClock()
	if base, err = loadBaseline(ctx, c, d.keeper.store); err != nil {
		return base, err
	}
	up, err := d.notifiers.newUplink(c)
	d.notifiers.up.Store(up)
	return base, err
}

// listen binds the address of the API and the pages.
func (d *Daemon) listen(traffic *api.Traffic) (err error) {
	c, m := &d.opt.Config, d.model
	proxies, err := config.Networks(c.Proxies)
	if err != nil {
		return fmt.Errorf("proxies: %w", err)
	}
	o := api.Options{Listen: c.Listen, TLSCert: c.TLS.Cert, TLSKey: c.TLS.Key, ClientCA: c.TLS.ClientCA,
		Proxies: proxies, Token: c.Token, ReadToken: c.ReadToken,
		Reports: d, Desk: d.Desk(), Traffic: traffic, Metrics: d.counts.registry(),
		Conditions: func() api.Conditions { return m.view.Load().conditions },
		Sheets:     func() *release.Sheets { return m.view.Load().sheets },
		Job:        func() *job.Job { return m.view.Load().job },
		Checks:     func() *check.Settings { return m.view.Load().checks },
		Plans:      func() []*backbone.Plan { return m.view.Load().plans },
		Trends:     m.trends,
		Version:    d.opt.Version, Log: d.opt.Log.With().Str("component", "web").Logger()}
	if c.StateDir != "" {
		o.SnapshotDir = filepath.Join(c.StateDir, "snapshots")
	}
	if d.notifiers != nil {
		o.Taken, o.Printed = d.notifiers.sendSnapshot, d.notifiers.sendRecord
		m.jobs.send = d.notifiers.sendRecord
	}
	if d.web, err = api.New(o); err != nil {
		return err
	}
	m.jobs.snapshot = d.web.SealedSnapshot
	pages.Add(d.web)
	m.observe = d.web.Observe
	return nil
}

// sheetFiles is the folder of the release sheets that jobs are planned with; nil without any.
func (d *Daemon) sheetFiles() (fs.FS, error) {
	if d.opt.Sheets != nil {
		return d.opt.Sheets, nil
	}
	if dir := d.model.view.Load().sheetDir; dir != "" {
		return os.DirFS(dir), nil
	}
	return nil, nil
}

// URL is where the pages are, or "" when nothing listens.
func (d *Daemon) URL() string {
	if d.web == nil {
		return ""
	}
	return d.web.URL()
}

// Report is the latest report: shared and read-only. It implements api.Reports.
func (d *Daemon) Report() *report.Report { return d.model.view.Load().report }

// Ready is nil while every source is read.
func (d *Daemon) Ready() error {
	if !d.life.started.Load() {
		return errors.New("starting")
	}
	return d.sources.down()
}

// Desk is where people act while Run runs. Callable from anywhere.
func (d *Daemon) Desk() api.Desk { return desk{d.model, d.model.jobs, d.ReloadConfig} }

// Server is what serves the API and the pages; nil when nothing listens. Callable from anywhere.
func (d *Daemon) Server() *api.Server { return d.web }

// RunFor is Run for a span of the clock's time, 0 for as long as ctx and the sources last.
func (d *Daemon) RunFor(ctx context.Context, span time.Duration) error {
	if span > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, span)
		defer cancel()
	}
	d.model.endsRun = true
	return errors.Join(d.Run(ctx), d.sources.noAddress())
}

// Run watches until ctx ends or Stop is called, and then returns nil; it returns early when every source has failed.
// It may be called once.
func (d *Daemon) Run(ctx context.Context) error {
	d.life.mu.Lock()
	twice, stopped := d.life.started.Swap(true), d.life.ended
	d.life.mu.Unlock()
	if twice {
		return errors.New("daemon: Run was called twice")
	}
	defer close(d.life.done)
	if stopped {
		return nil
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(d.life.stopping, cancel)()

	var tasks sync.WaitGroup
	serveErr := make(chan error, 1)
	d.sources.begin(ctx)
	if d.web != nil {
		tasks.Go(func() {
			if err := d.web.Serve(); err != nil {
				serveErr <- err
			}
		})
		tasks.Go(func() { d.web.SearchFaults(ctx) })
	}
	if d.model.jobs != nil {
		tasks.Go(func() { d.model.jobs.run(ctx) })
	}
	if d.keeper != nil {
		d.notifiers.begin(ctx, d.opt.Config.Notify)
		every := d.opt.Config.Store.Every
		tasks.Go(func() { d.keeper.run(ctx, every, d.notifiers.wake) })
	}
	notify("READY=1")
	close(d.life.begun)
	d.log.Info().Str("url", d.URL()).Int("sources", len(d.sources.inputs())).Msg("started")
	err := d.model.run(ctx, d.opt.ReportEvery, serveErr)
	notify("STOPPING=1")
	cancel()
	d.closeAll()
	err = errors.Join(err, d.await(&tasks), d.closeStore())
	d.log.Info().Msg("stopped")
	return errors.Join(err, d.life.stopErr)
}

// await waits for every goroutine of the parts, but not for ever.
func (d *Daemon) await(tasks *sync.WaitGroup) error {
	ended := make(chan struct{})
	go func() {
		d.sources.wait()
		tasks.Wait()
		if d.notifiers != nil {
			d.notifiers.wait()
		}
		close(ended)
	}()
	select {
	case <-ended:
		return nil
	case <-time.After(d.opt.StopWithin):
		return fmt.Errorf("daemon: a source or the server did not end within %v", d.opt.StopWithin)
	}
}

// Stop ends Run and waits for it, but not for ever. It may be called more than once, from anywhere, and without Run.
func (d *Daemon) Stop() error {
	d.life.stop()
	d.life.mu.Lock()
	d.life.ended = d.life.ended || !d.life.started.Load()
	ended := d.life.ended
	d.life.mu.Unlock()
	if ended {
		if d.model != nil && d.model.jobs != nil {
			d.model.jobs.end()
		}
		d.closeAll()
		return errors.Join(d.life.stopErr, d.closeStore())
	}
	select {
	case <-d.life.done:
		return nil
	case <-time.After(2 * d.opt.StopWithin):
		return fmt.Errorf("daemon: did not stop within %v", 2*d.opt.StopWithin)
	}
}

// closeAll undoes New, last first: no more requests, then no more traffic.
func (d *Daemon) closeAll() {
	d.life.cleanup.Do(func() {
		var err error
		if d.web != nil {
			ctx, cancel := context.WithTimeout(context.Background(), d.opt.StopWithin)
			defer cancel()
			err = d.web.Stop(ctx)
		}
		d.life.stopErr = errors.Join(err, d.sources.close())
	})
}

// closeStore writes what is left, once nothing is put into the store any more.
func (d *Daemon) closeStore() error {
	if d.keeper == nil {
		return nil
	}
	return d.keeper.close()
}
