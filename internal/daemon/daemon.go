// Package daemon runs the parts of muster together and owns every goroutine.
package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/alert"
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
	"muster/internal/store"
	"muster/internal/tap"
)

// Options say what a Daemon watches and how.
type Options struct {
	Config  config.Config
	Open    func(spec string, transmit bool) (tap.Source, error) // opens a source as the command line writes it
	Later   func(spec string, transmit bool) (tap.Source, error) // opens one that is not there yet, while others are; nil when all must be there at the start
	Log     zerolog.Logger
	SetLog  func(config.Log) // gives Log another level and format; a reload does not change them when nil
	Version string
	Now     func() time.Time // default time.Now

	// Known is a report of the same traffic, made while it was heard. It tells Replay what no capture holds: what kept the
	// time, which devices were our own, and which did not say who they are when asked. May be nil.
	Known *report.Report

	// Manual are devices entered by hand in the place of those of the config's notes file. May be nil.
	Manual []boat.Manual

	// Layouts are plans of backbones in the place of those of the config's layout files. May be nil.
	Layouts []*backbone.Layout

	// OnReport is told every report, and in a replay one for every second of event time. It may be nil, keeps nothing that it
	// changes, and is called by the goroutine of Run or Replay.
	OnReport func(now event.Time, r *report.Report, c release.Conditions)

	ReportEvery time.Duration // a report is made this often at most; default 1 s
	StopWithin  time.Duration // what has not ended by then is left behind; default 5 s

	firstRetry time.Duration        // wait after a failed delivery; default 1 s
	elapsed    func() time.Duration // a clock that nobody sets; default Now's, or the time since boot
	replay     bool                 // time is that of the events alone
	fleetLook  <-chan time.Duration // fleet.Options.Look
}

// Daemon watches one boat. Its model belongs to the goroutine of Run; everything else talks to it by values.
type Daemon struct {
	opt     Options
	log     zerolog.Logger
	sources atomic.Pointer[[]*input] // a reload changes them
	web     *api.Server              // nil when nothing listens
	model   *boat.Boat
	watch   *alert.Watch
	live    bool        // the clock of this machine moves event time
	endsRun bool        // Run returns when every source has ended
	ready   chan *input // sources of which something waits, each once
	latest  atomic.Pointer[report.Report]
	counts  *counts

	acts        chan func()   // what people do, run by the model's goroutine
	manual      []boat.Manual // entered at the desk
	known       knowledge     // of the config's files
	manualCount int
	follower    *release.Follower // nil when no work order is followed
	work        atomic.Pointer[api.Work]
	finished    *release.Follower        // of the order that was followed last and is no longer; nil for none
	workBefore  atomic.Pointer[api.Work] // how that one ended, for other goroutines
	gauge       release.Gauge
	conditions  atomic.Pointer[api.Conditions]
	silences    atomic.Pointer[[]alert.Silence]
	baseline    atomic.Pointer[baseline]
	reloading   sync.Mutex                     // one Reload at a time
	load        func() (config.Config, error)  // reads the config again; nil when there is nothing to read
	sheetsNow   atomic.Pointer[release.Sheets] // sheets, for other goroutines
	job         atomic.Pointer[job.Job]        // what service records begin with; nil without any
	preChecks   []release.PreCheck             // as last made before the first step was begun
	plansNow    atomic.Pointer[[]*backbone.Plan]
	nextLook    event.Time // when a replay tells OnReport next

	store                   *store.Store // nil in a replay
	storeOnce               sync.Once
	keeping                 keeping
	card                    atomic.Pointer[cardFault]      // nil while the card takes what is written
	checksNow               atomic.Pointer[check.Settings] // in force
	aside                   atomic.Pointer[store.Aside]    // what the log told of last
	reloads, reloadFailures atomic.Uint64
	time                    timekeeper
	toKeep                  chan struct{} // asks the keeper to write now
	telling                 atomic.Pointer[[]*teller]
	up                      atomic.Pointer[uplink] // nil when no hub is told
	helpers                 sync.WaitGroup         // the keeper, the tellers and the uplink
	readers                 sync.WaitGroup         // of the sources, and who sends there
	running                 context.Context        // ends with Run; belongs to the model's goroutine

	life     sync.Mutex // guards the beginning of Run against Stop
	ended    bool       // Stop came before Run
	started  atomic.Bool
	stop     context.CancelFunc
	stopping context.Context
	begun    chan struct{} // closed when Run has told that it runs
	done     chan struct{} // closed when Run has returned
	cleanup  sync.Once
	stopErr  error
}

// lateness is how far behind the clock event time is kept when nothing is heard: a live source may deliver that late.
const lateness = time.Second

// New opens the sources and binds the listener; on an error everything is closed again. It starts nothing.
func New(opt Options) (_ *Daemon, err error) {
	switch {
	case opt.Now == nil:
		opt.Now, opt.elapsed = time.Now, sinceBoot
	case opt.elapsed == nil: // a clock of somebody's own is not set while it runs
		began := opt.Now()
		opt.elapsed = func() time.Duration { return opt.Now().Sub(began) }
	}
	opt.ReportEvery = cmp.Or(opt.ReportEvery, time.Second)
	opt.StopWithin = cmp.Or(opt.StopWithin, 5*time.Second)
	d := &Daemon{opt: opt, log: opt.Log.With().Str("component", "daemon").Logger(), ready: make(chan *input, 64),
		begun: make(chan struct{}), done: make(chan struct{}), acts: make(chan func()), toKeep: make(chan struct{}, 1), live: !opt.replay}
	d.stopping, d.stop = context.WithCancel(context.Background())
	defer func() {
		if err != nil {
			d.closeAll()
			_ = d.closeStore()
		}
	}()
	c := &opt.Config
	if len(c.Sources) == 0 {
		return nil, errNoSource
	}
	var missing []error
	for _, s := range c.Sources {
		in, err := d.openInput(s, d.opt.Open)
		late := err != nil && d.mayCome(s, err)
		if late {
			missing = append(missing, err)
			in, err = d.openInput(s, d.opt.Later)
		}
		if err != nil {
			return nil, err
		}
		in.joined = late
		list := append(slices.Clone(d.inputs()), in)
		d.sources.Store(&list)
		if in.recorded {
			d.live = false
		}
	}
	if len(missing) == len(c.Sources) {
		return nil, missing[0]
	}
	clock := boat.ClockSystem
	if !d.live {
		clock = boat.ClockCapture
	}
	if opt.Known != nil {
		clock = opt.Known.Clock
	}
	model := boat.Options{ID: c.Boat.ID, Name: c.Boat.Name, Clock: clock, MakerNames: c.Makers, Own: append(d.ownNames(), ownBefore(opt.Known)...)}
	var traffic *api.Traffic
	if c.Listen != "off" {
		traffic = api.NewTraffic(0)
		model.OnMessage, model.OnSentence = traffic.Note, traffic.NoteSentence
	}
	d.model = boat.New(model)
	d.watch = alert.NewWatch(d.model, c.Checks, c.Alerts)
	d.checksNow.Store(&c.Checks)
	d.watch.Book().Accept(c.Accepted)
	known, err := d.loadKnowledge(c)
	if err != nil {
		return nil, err
	}
	d.learn(known)
	d.watch.SetExtra(d.known.rules())
	if !opt.replay {
		d.watch.OnChange = d.changed
		if d.store, err = openStore(c, d.now); err != nil {
			return nil, err
		}
		d.restore()
		d.startClock()
		base, err := d.loadBaseline(c.Baseline)
		if err != nil {
			return nil, err
		}
		d.setRules(base)
		up, err := d.newUplink(c)
		if err != nil {
			return nil, err
		}
		d.up.Store(up)
	}
	d.latest.Store(d.made(d.watch.State()))

	d.counts = newCounts(d)
	if c.Listen != "off" {
		snapshots := ""
		if c.StateDir != "" {
			snapshots = filepath.Join(c.StateDir, "snapshots")
		}
		d.web, err = api.New(api.Options{Listen: c.Listen, TLSCert: c.TLS.Cert, TLSKey: c.TLS.Key, Token: c.Token, ReadToken: c.ReadToken,
			Reports: d, Desk: d, Conditions: d.heardConditions, Sheets: d.sheetsNow.Load, Job: d.job.Load, Checks: d.checksNow.Load, Plans: d.plans, Traffic: traffic, SnapshotDir: snapshots, Metrics: d.counts.registry(), Taken: d.tellSnapshot, Printed: d.tellRecord,
			Version: opt.Version, Log: opt.Log.With().Str("component", "web").Logger()})
		if err != nil {
			return nil, err
		}
		pages.Add(d.web)
	}
	return d, nil
}

// URL is where the pages are, or "" when nothing listens.
func (d *Daemon) URL() string {
	if d.web == nil {
		return ""
	}
	return d.web.URL()
}

// Report is the latest report: shared and read-only. It implements api.Reports.
func (d *Daemon) Report() *report.Report { return d.latest.Load() }

// Ready is nil while every source is read.
func (d *Daemon) Ready() error {
	if !d.started.Load() {
		return errors.New("starting")
	}
	for _, in := range d.inputs() {
		if !in.up.Load() {
			return fmt.Errorf("source %s is down", in.name)
		}
	}
	return nil
}

// Run watches until ctx ends or Stop is called, and then returns nil; it returns early when every source has failed.
// It may be called once.
func (d *Daemon) Run(ctx context.Context) error {
	d.life.Lock()
	twice, stopped := d.started.Swap(true), d.ended
	d.life.Unlock()
	if twice {
		return errors.New("daemon: Run was called twice")
	}
	defer close(d.done)
	if stopped {
		return nil
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(d.stopping, cancel)()

	d.running = ctx
	for _, in := range d.inputs() {
		d.startInput(in)
	}
	var server sync.WaitGroup
	serveErr := make(chan error, 1)
	if d.web != nil {
		server.Go(func() {
			if err := d.web.Serve(); err != nil {
				serveErr <- err
			}
		})
	}
	if d.store != nil {
		d.startTellers(ctx, d.opt.Config.Tell)
		d.startUplink(ctx, d.up.Load())
		d.helpers.Go(func() { d.runKeeper(ctx) })
	}
	notify("READY=1")
	close(d.begun)
	d.log.Info().Str("url", d.URL()).Int("sources", len(d.inputs())).Msg("started")
	err := d.loop(ctx, serveErr)
	notify("STOPPING=1")
	cancel()
	d.closeAll()
	ended := make(chan struct{})
	go func() { d.readers.Wait(); server.Wait(); d.helpers.Wait(); close(ended) }()
	select {
	case <-ended:
	case <-time.After(d.opt.StopWithin):
		err = errors.Join(err, fmt.Errorf("daemon: a source or the server did not end within %v", d.opt.StopWithin))
	}
	err = errors.Join(err, d.closeStore())
	d.log.Info().Msg("stopped")
	return errors.Join(err, d.stopErr)
}

// Stop ends Run and waits for it, but not for ever. It may be called more than once, from anywhere, and without Run.
func (d *Daemon) Stop() error {
	d.stop()
	d.life.Lock()
	d.ended = d.ended || !d.started.Load()
	ended := d.ended
	d.life.Unlock()
	if ended {
		d.closeAll()
		return errors.Join(d.stopErr, d.closeStore())
	}
	select {
	case <-d.done:
		return nil
	case <-time.After(2 * d.opt.StopWithin):
		return fmt.Errorf("daemon: did not stop within %v", 2*d.opt.StopWithin)
	}
}

// closeAll undoes New, last first: no more requests, then no more traffic.
func (d *Daemon) closeAll() {
	d.cleanup.Do(func() {
		var errs []error
		if d.web != nil {
			ctx, cancel := context.WithTimeout(context.Background(), d.opt.StopWithin)
			defer cancel()
			errs = append(errs, d.web.Stop(ctx))
		}
		for _, in := range slices.Backward(d.inputs()) {
			errs = append(errs, in.close())
		}
		d.stopErr = errors.Join(errs...)
	})
}

// loop is the one goroutine that touches the model.
func (d *Daemon) loop(ctx context.Context, serveErr <-chan error) error {
	tick := time.NewTicker(d.opt.ReportEvery)
	defer tick.Stop()
	ask := time.NewTicker(askEvery)
	defer ask.Stop()
	asking := true
	setAsking := func() {
		was := asking
		if asking = d.asks(); asking && !was {
			ask.Reset(askEvery)
		} else if !asking {
			ask.Stop()
		}
	}
	setAsking()
	watchdog := newWatchdog(d.opt.Now)
	fed := false
	for {
		select {
		case in := <-d.ready:
			if in.gone {
				continue
			}
			b := in.queue.take()
			d.onClock(b.events)
			if err := d.feed(in, b.events); err != nil {
				return err
			}
			fed = fed || len(b.events) > 0
			if b.end {
				in.over = true
				if b.err != nil {
					in.failed = NewSourceError(in.spec, b.err)
				}
				d.publish()
				if over, err := d.allOver(); over {
					d.finish()
					return err
				}
			}
			in.queue.putBack(b)
		case act := <-d.acts:
			act()
			setAsking()
		case <-ask.C:
			d.tickAskers()
		case <-tick.C:
			if d.live {
				d.lookAtClock()
				d.watch.Advance(event.At(d.now()).Add(-lateness))
			}
			if fed || d.live {
				d.publish()
			}
			fed = false
			watchdog.alive()
		case err := <-serveErr:
			return err
		case <-ctx.Done():
			err := d.drain()
			d.finish()
			return err
		}
	}
}

// drain feeds what the readers have handed over already.
func (d *Daemon) drain() error {
	for {
		select {
		case in := <-d.ready:
			if in.gone {
				continue
			}
			b := in.queue.take()
			d.onClock(b.events)
			if err := d.feed(in, b.events); err != nil {
				return err
			}
		default:
			return nil
		}
	}
}

// allOver reports whether there is nothing more to come: every source has failed, or ended where that ends the run.
func (d *Daemon) allOver() (bool, error) {
	var failed []error
	for _, in := range d.inputs() {
		switch {
		case !in.over, in.failed == nil && !d.endsRun:
			return false, nil
		case in.failed != nil:
			failed = append(failed, in.failed)
		}
	}
	return true, errors.Join(failed...)
}

// finish makes the last report.
func (d *Daemon) finish() {
	d.watch.Finish()
	d.publish()
	d.keepAll()
}

// RunFor is Run for a span of the clock's time, 0 for as long as ctx and the sources last.
func (d *Daemon) RunFor(ctx context.Context, span time.Duration) error {
	if span > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, span)
		defer cancel()
	}
	d.endsRun = true
	return d.Run(ctx)
}

// made is the report of a state, with the alerts as they stand.
func (d *Daemon) made(s *boat.State) *report.Report { return report.New(s, d.watch.Alerts()) }

// publish makes the report that everybody sees until the next.
func (d *Daemon) publish() {
	began := time.Now()
	d.noteUnanswered()
	state := d.watch.State()
	if d.hearSatellites(state) {
		state = d.watch.State()
	}
	r := d.made(state)
	d.follow(r)
	d.tellReport(r)
	d.lookAtPlans(r)
	silences := d.watch.Book().Silences()
	d.silences.Store(&silences)
	d.latest.Store(r)
	d.keep(r)
	if d.web != nil {
		d.web.Observe(r)
	}
	d.counts.took.Observe(time.Since(began).Seconds())
}

// changed logs what happens to alerts, once per change, and notes it for whoever is told.
func (d *Daemon) changed(c alert.Change) {
	if d.store != nil {
		d.keeping.changes = append(d.keeping.changes, noted{c, d.clock()})
	}
	e := d.log.Info()
	if c.Kind == alert.Raised && !c.Silenced && c.Alert.Severity.Rank() > check.Info.Rank() {
		e = d.log.Warn()
	}
	if c.Silenced {
		e = e.Bool("silenced", true)
	}
	e.Str("alert", c.Alert.ID).Str("severity", string(c.Alert.Severity)).Str("summary", c.Alert.Summary).Msg("alert " + string(c.Kind))
}
