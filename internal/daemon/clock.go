package daemon

import (
	"math"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/boat"
	"muster/internal/event"
)

// jumpOf is the smallest difference between the wall clock and the time that really passed which counts as a set clock.
const jumpOf = 2 * time.Second

// started is when the program was.
var started = time.Now()

// wallClock watches this computer's clock against the time that really passes.
type wallClock struct {
	last    time.Time
	elapsed time.Duration
}

// setBy returns by how much the clock was set since the last call, 0 when it just ran. elapsed is a clock that is
// never set.
func (w *wallClock) setBy(now time.Time, elapsed time.Duration) time.Duration {
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

// shows is what the clock shows unless it was set since the last check.
func (w *wallClock) shows(elapsed time.Duration) event.Time {
	return event.At(w.last).Add(elapsed - w.elapsed)
}

// timekeeper keeps event time running evenly, whatever becomes of this computer's clock. While that is set, event
// time is what it shows. While it is not, event time goes on from the last moment in the store, or follows satellite
// time. It belongs to the model's goroutine, except now.
type timekeeper struct {
	log      zerolog.Logger
	machine  func() time.Time     // what this computer's clock shows
	elapsed  func() time.Duration // a clock that is never set
	live     bool                 // this computer's clock moves event time
	takeGNSS bool                 // satellite time may replace it

	wall       wallClock
	ahead      atomic.Int64  // event time less this computer's clock in ns, while that is not set; read from anywhere
	jump       time.Duration // by which the clock was last set: what was stamped before is moved by it
	moved      time.Duration // by which event time was moved altogether
	from       event.Time    // when this run began
	satellites satellites
	gnss       bool // event time follows satellite time
}

// unset reports whether a moment that this computer's clock shows means that it has not been set.
func unset(now time.Time) bool { return event.At(now) < event.ClockSet }

// now is the time as far as it is known: that of this computer, or event time while its clock is not set. Callable from
// anywhere.
func (k *timekeeper) now() time.Time {
	now := k.machine()
	if unset(now) {
		now = now.Add(time.Duration(k.ahead.Load()))
	}
	return now
}

// start begins event time. A clock that is not set lets it go on where the run before ended, so that nothing happens
// before its past.
func (k *timekeeper) start(last event.Time) {
	now := k.machine()
	if k.live && unset(now) && last > event.At(now) {
		k.ahead.Store(int64(last.Sub(event.At(now))))
	}
	k.wall.setBy(now, k.elapsed())
	k.from = event.At(k.now())
	if k.live && unset(now) {
		k.log.Warn().Time("shows", now).
			Msg("the clock of this computer is not set; times are right when it is, or when satellite time is received")
	}
}

// checkWall reports whether the clock was set, and by how much event time is to be moved for that. What was stamped in this
// run is moved onto the clock as it is now, so that the order of events and the spans between them stay.
func (k *timekeeper) checkWall() (by time.Duration, set bool) {
	now := k.machine()
	jump := k.wall.setBy(now, k.elapsed())
	if jump == 0 {
		return 0, false
	}
	k.jump = jump
	ahead := time.Duration(k.ahead.Load())
	k.log.Warn().Stringer("by", jump.Round(time.Millisecond)).Msg("the clock of this computer was set")
	if unset(now) {
		k.ahead.Store(int64(ahead - jump)) // it shows nonsense: event time goes on
		return 0, true
	}
	k.ahead.Store(0)
	k.gnss = false
	return jump - ahead, true
}

// move moves event time.
func (k *timekeeper) move(by time.Duration) {
	k.from = k.from.Add(by)
	k.moved += by
}

// shows is the moment that live events of now are stamped with.
func (k *timekeeper) shows() event.Time { return k.wall.shows(k.elapsed()) }

// steady is the moment of now by a time that no set clock has moved.
func (k *timekeeper) steady() event.Time {
	return k.shows().Add(time.Duration(k.ahead.Load()) - k.moved)
}

// stamp puts live events on event time: the clock, which shows this now, may have been set since they were stamped.
func (k *timekeeper) stamp(events []event.Event, shows event.Time) {
	ahead := time.Duration(k.ahead.Load())
	if k.jump == 0 && ahead == 0 {
		return
	}
	for i := range events {
		e := &events[i]
		if e.Time == 0 {
			continue
		}
		if off := e.Time.Sub(shows); off.Abs() >= jumpOf && (off+k.jump).Abs() < off.Abs() {
			e.Time = e.Time.Add(k.jump) // stamped before the clock was set
		}
		if e.Time < event.ClockSet {
			e.Time = e.Time.Add(ahead)
		}
	}
}

// clock is where event time comes from now.
func (k *timekeeper) clock() boat.Clock {
	switch {
	case !k.live:
		return boat.ClockCapture
	case !unset(k.machine()):
		return boat.ClockSystem
	case k.gnss:
		return boat.ClockGNSS
	}
	return boat.ClockUnset
}

// followSatellites lets event time follow the satellite time that the sources report, while this computer's clock is not set. It
// gives by how much event time is to be moved for that.
func (k *timekeeper) followSatellites(s *boat.State) (by time.Duration, follows bool) {
	if !k.live || !k.takeGNSS || !unset(k.machine()) {
		return 0, false
	}
	off, from, ok := k.satellites.offset(s)
	if !ok || k.gnss && off.Abs() < jumpOf {
		return 0, false
	}
	if !k.gnss {
		k.log.Info().Str("source", from).Time("time", s.TakenAt.Add(off).UTC()).
			Msg("satellite time is used, because the clock of this computer is not set")
	}
	k.gnss = true
	k.ahead.Add(int64(off))
	k.satellites = satellites{}
	return off, true
}

// checkClock moves everything when the clock of this computer was set.
func (m *model) checkClock() {
	if by, set := m.time.checkWall(); set {
		m.moveTime(by)
	}
}

// onClock puts live events on event time, which is moved first when the clock was set just before they were stamped.
func (m *model) onClock(events []event.Event) {
	if !m.time.live || len(events) == 0 {
		return
	}
	shows := m.time.shows()
	if t := events[len(events)-1].Time; t != 0 && t.Sub(shows).Abs() >= jumpOf {
		m.checkClock()
		shows = m.time.shows()
	}
	m.time.stamp(events, shows)
}

// checkSatellites moves everything onto the satellite time that the sources report, where that is followed.
func (m *model) checkSatellites(s *boat.State) (moved bool) {
	by, moved := m.time.followSatellites(s)
	if moved {
		m.moveTime(by)
	}
	return moved
}

// moveTime moves event time by so much, and with it what happened in this run.
func (m *model) moveTime(by time.Duration) {
	if by != 0 {
		now := m.boat.Now()
		m.boat.Shift(by)
		m.watch.Shift(m.time.from, now.Add(2*lateness), by)
		m.gauge.Shift(by)
		m.keeping.shift(by)
		m.time.move(by)
	}
	m.markClock()
}

// markClock marks in every report of live traffic how good its times are.
func (m *model) markClock() {
	if m.time.live {
		m.boat.SetClock(m.time.clock())
	}
}

// When satellite time is believed (common practice, no source).
const (
	believeAfter = 5 * time.Second // it has run evenly for so long
	believeCount = 3               // and was received so often
	evenly       = time.Second     // means: within so much
	freshFor     = 5 * time.Second // a reading counts
)

// satellites checks the satellite time on the networks.
type satellites struct {
	since event.Time // when it began to run evenly
	count int        // of readings since
	last  event.Time // the latest reading
	best  float64    // seconds that it is ahead of event time: what came with the least delay
	from  string     // the device that sent it
}

// offset reads the sources of time. It returns by how much event time is to be moved and whose time that is, when
// every source agrees and they have gone on evenly.
func (s *satellites) offset(now *boat.State) (off time.Duration, from string, ok bool) {
	low, high, at := math.Inf(1), math.Inf(-1), event.Time(0)
	for i := range now.Sources {
		x := &now.Sources[i]
		// A receiver without a fix, or one whose week number ran over, sends a time that cannot be.
		if x.Measure != boat.ClockOffset || now.TakenAt.Sub(x.At) > freshFor ||
			float64(x.At)+x.Value*1e9 < float64(event.ClockSet) || x.Value > math.MaxInt64/1e9 {
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
		*s = satellites{since: at, count: 1, last: at, best: high, from: from}
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
	s.count++
	s.last = at
	return time.Duration(s.best * 1e9), s.from, s.count >= believeCount && at.Sub(s.since) >= believeAfter
}
