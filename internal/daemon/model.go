package daemon

import (
	"context"
	"slices"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/rs/zerolog"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/snapshot"
	"muster/internal/trend"
)

// lateness is how far behind the clock event time is kept when nothing is received: a live source may deliver that late.
const lateness = time.Second

// model is the boat and what is made of what is received aboard. All of it belongs to the goroutine of run, or to that of
// a replay. Others read view, call do, and time.now.
type model struct {
	log       zerolog.Logger
	sources   *sources
	notifiers *notifiers // nil in a replay, as is the keeper of keeping

	boat    *boat.Boat
	watch   *alert.Watch
	gauge   release.Gauge
	time    timekeeper
	checks  *check.Settings // in force
	known   knowledge       // of the config's files
	base    baseline
	manual  manual
	jobs    *jobs // nil in a replay
	traffic *trafficLog
	working bool // a work order was being followed by the latest report
	keeping keeping
	trends  *trend.Trends

	onReport func(now event.Time, r *report.Report, c release.Conditions) // may be nil
	observe  func(*report.Report)                                         // may be nil
	took     prometheus.Observer                                          // making one report, in seconds
	gauged   bool                                                         // the conditions may be asked for
	endsRun  bool                                                         // run returns when every source has ended

	acts chan func()     // what people do, for run
	done <-chan struct{} // closed when run takes no more of those
	view atomic.Pointer[view]
}

// view is what others see of the model, made again with each report. All of it is shared and read-only.
type view struct {
	report     *report.Report
	conditions api.Conditions
	silences   []alert.Silence
	decided    []boat.Decision
	baseline   baseline
	sheets     *release.Sheets
	sheetDir   string // the folder of the sheets, "" for none
	job        *job.Job
	checks     *check.Settings
	plans      []*backbone.Plan
	layouts    []api.KeptLayout
}

// newModel makes the model of a boat of which nothing was received.
func newModel(opt *Options, s *sources, traffic *api.Traffic, log zerolog.Logger) *model {
	c := &opt.Config
	m := &model{log: log, sources: s, trends: trend.New(), acts: make(chan func()), onReport: opt.OnReport,
		gauged: !opt.replay || opt.OnReport != nil}
	m.time = timekeeper{log: log, machine: opt.Now, elapsed: opt.elapsed, takeGNSS: c.GNSSTime,
		live: !opt.replay && !s.recorded()}
	o := boat.Options{ID: c.Boat.ID, Name: c.Boat.Name, Clock: boat.ClockSystem, ManufacturerNames: c.Manufacturers,
		Own: append(s.ownNames(), ownBefore(opt.Known)...)}
	switch {
	case opt.Known != nil:
		o.Clock = opt.Known.Clock
	case !m.time.live:
		o.Clock = boat.ClockCapture
	}
	if traffic != nil {
		o.OnMessage, o.OnSentence = traffic.Note, traffic.NoteSentence
	}
	m.boat = boat.New(o)
	m.watch = alert.NewWatch(m.boat, c.Checks, c.Alerts)
	m.watch.Book().Accept(c.Accepted)
	if opt.Recorded {
		m.watch.Record()
	}
	checks := c.Checks
	m.checks = &checks
	return m
}

// learn takes what people wrote down instead of what was known.
func (m *model) learn(k knowledge, base baseline) {
	k.plans = m.plansWith(k.plans)
	k.adrift = make([]string, len(k.plans))
	m.known = k
	m.boat.SetManual(m.entered())
	m.boat.SetDecisions(m.decisions())
	m.setBaseline(base)
}

// setBaseline holds the boat against a snapshot, or none.
func (m *model) setBaseline(base baseline) {
	m.base = base
	rules := m.known.rules()
	if k := m.keeping.keeper; k != nil {
		rules = slices.Concat(snapshot.Rules(base.Snapshot), m.keeping.stillSilent(), rules,
			[]check.Rule{k.cardRule(), k.asideRule()})
	}
	m.watch.SetExtra(rules)
}

// entered are all devices entered by hand: those of the notes file, then those of the desk.
func (m *model) entered() []boat.Manual { return slices.Concat(m.known.noted, m.manual.list) }

// decisions are all that was decided of units: what the config says, then what was decided at the desk.
func (m *model) decisions() []boat.Decision { return slices.Concat(m.known.same, m.manual.same) }

// run feeds the model until ctx ends, the sources are over, or serving has failed. A report is made every so often.
func (m *model) run(ctx context.Context, every time.Duration, serveErr <-chan error) error {
	tick := time.NewTicker(every)
	defer tick.Stop()
	ask := time.NewTicker(askEvery)
	defer ask.Stop()
	asking := true
	setAsking := func() {
		was := asking
		if asking = m.sources.asks(); asking && !was {
			ask.Reset(askEvery)
		} else if !asking {
			ask.Stop()
		}
	}
	setAsking()
	watchdog := newWatchdog(m.time.machine)
	fed := false
	for {
		select {
		case in := <-m.sources.ready:
			b, err := m.takeFrom(in)
			if err != nil {
				return err
			}
			fed = fed || len(b.events) > 0
			if b.end {
				in.end(b.err)
				m.publish()
				if over, err := m.sources.allOver(m.endsRun); over {
					m.finish()
					return err
				}
			}
			in.queue.putBack(b)
		case act := <-m.acts:
			act()
			setAsking()
		case <-ask.C:
			m.sources.tickAskers(m.time.steady())
		case <-tick.C:
			if m.time.live {
				m.checkClock()
				if len(m.sources.ready) == 0 { // else what waits has the time, maybe older than the clock
					m.watch.Advance(event.At(m.time.now()).Add(-lateness))
				}
			}
			if fed || m.time.live {
				m.publish()
			}
			fed = false
			watchdog.alive()
		case err := <-serveErr:
			return err
		case <-ctx.Done():
			err := m.drain()
			m.finish()
			return err
		}
	}
}

// takeFrom feeds what waits of a source.
func (m *model) takeFrom(in *input) (batch, error) {
	if in.gone {
		return batch{}, nil
	}
	b := in.queue.take()
	m.onClock(b.events)
	return b, m.feed(in, b.events)
}

// drain feeds what the readers have handed over already.
func (m *model) drain() error {
	for {
		select {
		case in := <-m.sources.ready:
			if _, err := m.takeFrom(in); err != nil {
				return err
			}
		default:
			return nil
		}
	}
}

// feed gives events to the model, in their order. An error ends the daemon.
func (m *model) feed(in *input, events []event.Event) error {
	if err := m.sources.place(in, events, m.time.moved); err != nil {
		return err
	}
	m.watch.Feed(events...)
	m.traffic.Write(events)
	if m.gauged {
		for i := range events {
			m.gauge.Feed(&events[i])
		}
	}
	return nil
}

// takeSources begins and ends sources; the caller that asked for it closes those that were removed.
func (m *model) takeSources(c *sourceChange) {
	m.sources.take(c)
	m.boat.SetOwn(m.sources.ownNames())
	for _, in := range c.gone {
		for _, n := range in.numbers {
			m.boat.Drop(n)
		}
		m.keeping.forget(in.ids)
	}
}

// finish makes the last report.
func (m *model) finish() {
	m.watch.Finish()
	m.publish()
	m.keepAll()
}

// publish makes the report that everybody sees until the next.
func (m *model) publish() {
	began := time.Now()
	m.sources.unanswered(m.boat.GaveUp)
	state := m.watch.State()
	if m.checkSatellites(state) {
		state = m.watch.State()
	}
	r := m.reportOf(state)
	now := m.boat.Now()
	c := m.gauge.Conditions(now)
	m.follow()
	if m.onReport != nil {
		m.onReport(now, r, c)
	}
	m.known.logPlans(r, m.log)
	m.show(r, c)
	if m.jobs != nil {
		m.jobs.wake()
	}
	m.keep(state)
	m.keepTrends(r)
	if m.observe != nil {
		m.observe(r)
	}
	m.took.Observe(time.Since(began).Seconds())
}

// report is the report of now.
func (m *model) report() *report.Report { return m.reportOf(m.watch.State()) }

// reportOf is the report of a state that the model was just in.
func (m *model) reportOf(s *boat.State) *report.Report {
	alerts, judgement := m.watch.Look(s)
	r := report.New(s, alerts)
	r.Judge(&judgement)
	return r
}

// show lets others see the model as it is now.
func (m *model) show(r *report.Report, c release.Conditions) {
	m.view.Store(&view{report: r, conditions: api.Conditions{At: r.TakenAt, Conditions: c},
		silences: m.watch.Book().Silences(), decided: m.manual.same, baseline: m.base,
		sheets: m.known.sheets, sheetDir: m.known.dir, job: m.known.job, checks: m.checks, plans: m.known.plans, layouts: m.manual.layouts})
}

// changed logs what happens to alerts, once per change, and notes it for the notifiers.
func (m *model) changed(c alert.Change) {
	if m.keeping.keeper != nil {
		m.keeping.changes = append(m.keeping.changes, noted{c, m.time.clock()})
	}
	e := m.log.Info()
	if c.Kind == alert.Raised && !c.Silenced && c.Alert.Severity.Rank() > check.Info.Rank() {
		e = m.log.Warn()
	}
	if c.Silenced {
		e = e.Bool("silenced", true)
	}
	e.Str("alert", c.Alert.ID).Str("severity", string(c.Alert.Severity)).Str("summary", c.Alert.Summary).
		Msg("alert " + string(c.Kind))
}

// do runs act on the model's goroutine, and makes a new report when it has succeeded.
func (m *model) do(ctx context.Context, act func() error) error {
	answer := make(chan error, 1)
	asked := func() {
		err := act()
		if err == nil {
			m.publish()
		}
		answer <- err
	}
	select {
	case m.acts <- asked:
	case <-m.done:
		return errStopped
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-answer:
		if err == nil && m.keeping.keeper != nil {
			m.keeping.keeper.write() // what a person saw confirmed must not be lost
		}
		return err
	case <-m.done:
		return errStopped
	}
}

// actTime is the event time of what a person does now. In the first second after a start the model has none yet.
func (m *model) actTime() event.Time {
	now := m.boat.Now()
	if m.time.live {
		now = max(now, event.At(m.time.now()).Add(-lateness))
	}
	return now
}
