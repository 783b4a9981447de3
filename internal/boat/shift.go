package boat

import (
	"time"

	"muster/internal/event"
)

// Window is the span of event times seen, unset before the first.
func (b *Boat) Window() (from, to event.Time) { return b.from, b.to }

// SetClock sets where event times come from from now on.
func (b *Boat) SetClock(c Clock) { b.opt.Clock = c }

// Shift moves the times of this window by the given span, as when the clock that stamped them turns out to have been wrong by it.
// What lies outside of the window, such as a past that the boat was given, stays.
func (b *Boat) Shift(by time.Duration) {
	from, to := b.from, max(b.to, b.now).Add(2*time.Second) // the present second and what it counts end later
	if from == 0 {
		if b.now != 0 {
			b.now = b.now.Add(by)
		}
		return
	}
	move := func(times ...*event.Time) {
		for _, t := range times {
			if from <= *t && *t <= to {
				*t = t.Add(by)
			}
		}
	}
	for _, n := range b.nets {
		if n == nil {
			continue
		}
		move(&n.last, &n.start, &n.turn, &n.minute.from, &n.before.from, &n.downSince, &n.busOffSince, &n.askedAll,
			&n.errorRun.since, &n.errorRun.last, &n.dropRun.since, &n.dropRun.last, &n.brokenRun.since, &n.brokenRun.last)
		for i := range n.asked {
			move(&n.asked[i])
		}
		for _, c := range n.contests {
			c.shift(move)
		}
		for _, d := range n.devices {
			d.shift(move)
		}
		n.talkers.shift(move)
	}
	move(&b.to, &b.now, &b.from)
	b.moved += by
	b.sources.forget()
}

func (d *device) shift(move func(...*event.Time)) {
	if d.beat != nil {
		move(&d.beat.At, &d.beat.spans.first, &d.beat.spans.last)
	}
	move(&d.firstSeen, &d.lastSeen, &d.since, &d.claimed, &d.restartAt, &d.duplicateSince, &d.duplicateLast)
	for i := range d.addresses {
		move(&d.addresses[i].Since)
	}
	for i := range d.restarted {
		move(&d.restarted[i])
	}
	move(&d.from)
	for i := range d.heardOn {
		move(&d.heardOn[i].From, &d.heardOn[i].Until)
	}
	move(&d.identity.returned)
	for i := range d.identity.before {
		move(&d.identity.before[i].Until)
		for j := range d.identity.before[i].Software {
			move(&d.identity.before[i].Software[j].Since)
		}
	}
	for i := range d.moves {
		move(&d.moves[i])
	}
	for i := range d.identity.software {
		move(&d.identity.software[i].Since)
	}
	if p := d.past(); p != nil && p.FirstSeen != 0 {
		d.firstSeen = min(d.firstSeen, p.FirstSeen) // which the wrong clock may have put into the future
	}
	for _, s := range d.streams {
		move(&s.first, &s.last, &s.lastValue, &s.emptySince)
		s.volts, s.waits = nil, nil
		if s.doubled != nil {
			s.doubled.at, s.doubled.turns, s.doubled.slide = [2]event.Time{}, 0, slide{}
		}
		for m := range measureCount {
			if s.mixture != nil {
				move(&s.mixture.last[m])
			}
		}
	}
}

func (c *contest) shift(move func(...*event.Time)) {
	move(&c.since, &c.last)
	for i := range c.changes {
		move(&c.changes[i])
	}
}
