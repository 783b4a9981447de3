package daemon

import (
	"math"
	"sync/atomic"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
)

// jumpOf is the smallest difference between the wall clock and the time that really passed which counts as a set clock.
const jumpOf = 2 * time.Second

// started is when the program was.
var started = time.Now()

// wallClock watches this machine's clock against the time that really passes.
type wallClock struct {
	last    time.Time
	elapsed time.Duration
}

// look returns by how much the clock was set since the last look, 0 when it just ran. elapsed is a clock that nobody sets.
func (w *wallClock) look(now time.Time, elapsed time.Duration) time.Duration {
	last, before := w.last, w.elapsed
	w.last, w.elapsed = now, elapsed
	if last.IsZero() {
		return 0
	}
	jump := now.Round(0).Sub(last.Round(0)) - (elapsed - before)
	if jump.Abs() < jumpOf {
		return 0
	}
	return jump
}

// shows is what the clock shows unless it was set since the last look.
func (w *wallClock) shows(elapsed time.Duration) event.Time {
	return event.At(w.last).Add(elapsed - w.elapsed)
}

// timekeeper keeps event time running evenly, whatever becomes of this machine's clock. While that is set, event time is what it shows.
// While it is not, event time goes on from the last moment that the store knows, or follows satellite time. It belongs to the model's
// goroutine.
type timekeeper struct {
	wall       wallClock
	ahead      atomic.Int64  // event time less this machine's clock, in nanoseconds, while that is not set; read from anywhere
	jump       time.Duration // by which the clock was last set: what was stamped before is moved by it
	moved      time.Duration // by which event time was moved altogether
	from       event.Time    // when this run began
	satellites satellites
	gnss       bool // event time follows satellite time
}

// now is the time as far as it is known: that of this machine, or event time while its clock is not set. Callable from anywhere.
func (d *Daemon) now() time.Time {
	now := d.opt.Now()
	if event.At(now) < event.ClockSet {
		now = now.Add(time.Duration(d.time.ahead.Load()))
	}
	return now
}

// startClock begins event time. A clock that is not set lets it go on where the run before ended, so that nothing happens before its past.
func (d *Daemon) startClock() {
	now := d.opt.Now()
	if last := d.lastKnown(); d.live && event.At(now) < event.ClockSet && last > event.At(now) {
		d.time.ahead.Store(int64(last.Sub(event.At(now))))
	}
	d.time.wall.look(now, d.opt.elapsed())
	d.time.from = event.At(d.now())
	d.markClock()
	if d.live && event.At(now) < event.ClockSet {
		d.log.Warn().Time("shows", now).Msg("this machine's clock is not set; times are right when it is, or when satellite time is heard")
	}
}

// lookAtClock tells when the clock was set. What was stamped in this run is moved onto the clock as it is now, so that the order of
// events and the spans between them stay.
func (d *Daemon) lookAtClock() {
	now := d.opt.Now()
	jump := d.time.wall.look(now, d.opt.elapsed())
	if jump == 0 {
		return
	}
	d.time.jump = jump
	ahead := time.Duration(d.time.ahead.Load())
	d.log.Warn().Stringer("by", jump.Round(time.Millisecond)).Msg("this machine's clock was set")
	if event.At(now) < event.ClockSet {
		d.time.ahead.Store(int64(ahead - jump)) // it shows nonsense: event time goes on
	} else {
		d.time.ahead.Store(0)
		d.time.gnss = false
		d.moveTime(jump - ahead)
	}
	d.markClock()
}

// moveTime moves event time, and with it what happened in this run.
func (d *Daemon) moveTime(by time.Duration) {
	now := d.model.Now()
	d.model.Shift(by)
	d.watch.Shift(d.time.from, now.Add(2*lateness), by)
	d.gauge.Shift(by)
	if f := d.card.Load(); f != nil {
		d.card.CompareAndSwap(f, &cardFault{f.since.Add(by), f.why})
	}
	d.time.from = d.time.from.Add(by)
	d.time.moved += by
	d.keeping.moved = true
}

// onClock puts live events on event time: the clock may have been set since they were stamped, or just before.
func (d *Daemon) onClock(events []event.Event) {
	if !d.live || len(events) == 0 {
		return
	}
	shows := d.time.wall.shows(d.opt.elapsed())
	if t := events[len(events)-1].Time; t != 0 && t.Sub(shows).Abs() >= jumpOf {
		d.lookAtClock()
		shows = d.time.wall.shows(d.opt.elapsed())
	}
	ahead := time.Duration(d.time.ahead.Load())
	if d.time.jump == 0 && ahead == 0 {
		return
	}
	for i := range events {
		e := &events[i]
		if e.Time == 0 {
			continue
		}
		if off := e.Time.Sub(shows); off.Abs() >= jumpOf && (off+d.time.jump).Abs() < off.Abs() {
			e.Time = e.Time.Add(d.time.jump) // stamped before the clock was set
		}
		if e.Time < event.ClockSet {
			e.Time = e.Time.Add(ahead)
		}
	}
}

// markClock says in every report of live traffic how good its times are.
func (d *Daemon) markClock() {
	if d.live {
		d.model.SetClock(d.clock())
	}
}

// clock says where event time comes from now.
func (d *Daemon) clock() boat.Clock {
	switch {
	case !d.live:
		return boat.ClockCapture
	case event.At(d.opt.Now()) >= event.ClockSet:
		return boat.ClockSystem
	case d.time.gnss:
		return boat.ClockGNSS
	}
	return boat.ClockUnset
}

// hearSatellites lets event time follow the satellite time that the sources tell, while this machine's clock is not set.
func (d *Daemon) hearSatellites(s *boat.State) (moved bool) {
	if !d.live || !d.opt.Config.GNSSTime || event.At(d.opt.Now()) >= event.ClockSet {
		return false
	}
	off, from, ok := d.time.satellites.look(s)
	if !ok || d.time.gnss && off.Abs() < jumpOf {
		return false
	}
	if !d.time.gnss {
		d.log.Info().Str("source", from).Time("time", s.TakenAt.Add(off).UTC()).Msg("satellite time taken, for this machine's clock is not set")
	}
	d.time.gnss = true
	d.time.ahead.Add(int64(off))
	d.time.satellites = satellites{}
	d.moveTime(off)
	d.markClock()
	return true
}

// When satellite time is believed (common practice, no source).
const (
	believeAfter = 5 * time.Second // it has run evenly for so long
	believeTold  = 3               // and was told so often
	evenly       = time.Second     // means: within so much
	freshFor     = 5 * time.Second // a reading counts
)

// satellites judges the satellite time on the networks.
type satellites struct {
	since event.Time // when it began to run evenly
	told  int        // so often since
	last  event.Time // the latest reading
	best  float64    // seconds that it is ahead of event time: what came with the least delay
	from  string     // who told
}

// look takes what the sources of time tell. It gives by how much event time is to be moved and whose time that is, when every source
// agrees and they have gone on evenly.
func (s *satellites) look(now *boat.State) (off time.Duration, from string, ok bool) {
	low, high, at := math.Inf(1), math.Inf(-1), event.Time(0)
	for i := range now.Sources {
		x := &now.Sources[i]
		// A receiver without a fix, or one whose week number ran over, tells a time that cannot be.
		if x.Measure != boat.ClockOffset || now.TakenAt.Sub(x.At) > freshFor || float64(x.At)+x.Value*1e9 < float64(event.ClockSet) || x.Value > math.MaxInt64/1e9 {
			continue
		}
		if x.Value > high {
			high, from = x.Value, x.ID
		}
		low, at = min(low, x.Value), max(at, x.At)
	}
	switch {
	case at == 0:
		*s = satellites{}
		return 0, "", false
	case high-low > evenly.Seconds(), s.since == 0, math.Abs(high-s.best) > evenly.Seconds():
		*s = satellites{since: at, told: 1, last: at, best: high, from: from}
		if high-low > evenly.Seconds() {
			*s = satellites{} // they disagree
		}
		return 0, "", false
	case at == s.last:
		return 0, "", false
	}
	if high > s.best {
		s.best, s.from = high, from
	}
	s.told++
	s.last = at
	return time.Duration(s.best * 1e9), s.from, s.told >= believeTold && at.Sub(s.since) >= believeAfter
}
