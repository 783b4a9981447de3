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

// wallClock watches this machine's clock.
type wallClock struct {
	last time.Time
}

// look returns by how much the clock was set since the last look, 0 when it just ran. The times must carry Go's monotonic reading.
func (w *wallClock) look(now time.Time) time.Duration {
	last := w.last
	w.last = now
	if last.IsZero() {
		return 0
	}
	jump := now.Round(0).Sub(last.Round(0)) - now.Sub(last)
	if jump.Abs() < jumpOf {
		return 0
	}
	return jump
}

// lookAtClock tells when the clock was set.
func (d *Daemon) lookAtClock() {
	if jump := d.wall.look(d.opt.Now()); jump != 0 {
		d.log.Warn().Dur("by", jump).Msg("this machine's clock was set; times before and after do not fit together")
	}
}

// markClock says in a live report how good its times are.
func (d *Daemon) markClock(r *boat.Report) {
	if d.live && r.Clock == boat.ClockSystem && r.TakenAt < clockSet {
		r.Clock = boat.ClockUnset
	}
}
