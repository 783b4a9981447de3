package daemon

import (
	"time"

	"muster/internal/boat"
	"muster/internal/event"
)

// clockSet is the first moment that a clock which was set can show; a board without a clock battery starts in 1970, or where it
// was when it was switched off.
var clockSet = event.At(time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC))

// jumpOf is the smallest difference between the wall clock and the time that really passed which counts as a set clock.
const jumpOf = 5 * time.Second

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

// lookAtClock tells when the clock was set. What was stamped in this run while it was not set is moved onto the clock as it is
// now, so that the order of events and the spans between them stay.
func (d *Daemon) lookAtClock(elapsed time.Duration) {
	jump := d.wall.look(d.opt.Now(), elapsed)
	if jump == 0 {
		return
	}
	d.log.Warn().Dur("by", jump).Msg("this machine's clock was set")
	if now := d.model.Now(); now != 0 && now < clockSet && now.Add(jump) >= clockSet {
		d.shift += jump
		d.model.Shift(jump)
	}
}

// onClock puts a live event on the clock as it is now: the clock may have been set since the event was stamped, or just before.
func (d *Daemon) onClock(e *event.Event) {
	if !d.live || e.Time == 0 {
		return
	}
	if now := d.model.Now(); e.Time >= clockSet && now != 0 && now < clockSet {
		d.lookAtClock(time.Since(d.began))
	}
	if e.Time < clockSet {
		e.Time = e.Time.Add(d.shift)
	}
}

// markClock says in a live report how good its times are.
func (d *Daemon) markClock(r *boat.Report) {
	if d.live && r.Clock == boat.ClockSystem && r.TakenAt < clockSet {
		r.Clock = boat.ClockUnset
	}
}
