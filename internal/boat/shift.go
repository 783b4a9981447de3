package boat

import (
	"time"

	"muster/internal/event"
)

// Shift moves the times of this window by the given span, as when the clock that stamped them turns out to have been wrong by it.
// What is older than the window, such as a past that the boat was given, stays.
func (b *Boat) Shift(by time.Duration) {
	from := b.from
	if from == 0 {
		return
	}
	move := func(times ...*event.Time) {
		for _, t := range times {
			if *t >= from {
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
	b.sources.forget()
}

func (d *device) shift(move func(...*event.Time)) {
	move(&d.firstSeen, &d.lastSeen, &d.since, &d.claimed, &d.restartAt, &d.twinSince, &d.twinLast)
	for i := range d.addresses {
		move(&d.addresses[i].Since)
	}
	for i := range d.restarted {
		move(&d.restarted[i])
	}
	for i := range d.moves {
		move(&d.moves[i])
	}
	for i := range d.identity.software {
		move(&d.identity.software[i].Since)
	}
	for _, s := range d.streams {
		move(&s.first, &s.last, &s.lastValue, &s.emptySince, &s.voltsAt)
	}
}

func (c *contest) shift(move func(...*event.Time)) {
	move(&c.since, &c.last)
	for i := range c.changes {
		move(&c.changes[i])
	}
}
