package daemon

import (
	"context"
	"errors"
	"io"
	"math"
	"strconv"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/tap"
	"muster/pgn"
)

// cursor is how far a replay is in one source.
type cursor struct {
	in     *input
	events []event.Event // read and not yet fed
	room   []event.Event
	ended  bool
}

// Replay reads captures and simulations to their end, or to the end of a span of their own time, as fast as they can
// be read, and returns the report. Several sources are read side by side in the order of their times. The model runs
// on the caller's goroutine and reads no clock, so that the same input gives the same report. progress may be nil; it
// is given how many bytes of how many have been read.
//
// The report holds what was read even when there is an error.
func Replay(
	ctx context.Context, opt Options, span time.Duration, progress func(read, total int64),
) (*report.Report, error) {
	opt.Config.Listen, opt.replay, opt.Recorded = "off", true, true
	d, err := New(ctx, opt)
	if err != nil {
		return nil, err
	}
	defer d.Stop()
	defer context.AfterFunc(ctx, d.closeAll)()

	size := batchEvents
	if d.sources.asks() {
		size = 1 // what we ask comes back in the order of the bus
	}
	p := replaying{model: d.model, span: span, progress: progress}
	for _, in := range d.sources.inputs() {
		p.cursors = append(p.cursors, &cursor{in: in, room: make([]event.Event, size)})
	}
	err = p.play(ctx)
	d.model.noteUnansweredBefore(opt.Known)
	d.model.finish()
	err = errors.Join(err, d.sources.noAddress())
	r := d.Report()
	if r.TakenAt.IsZero() {
		r.Clock = boat.ClockUnset
	}
	return r, err
}

// replaying is a replay under way.
type replaying struct {
	model      *model
	cursors    []*cursor
	span       time.Duration // 0: to the end
	end        event.Time    // of the span, once an event has begun it
	over       bool          // the span is
	nextReport event.Time    // when OnReport is called next
	progress   func(read, total int64)
}

// play feeds the sources to their end.
func (p *replaying) play(ctx context.Context) error {
	var failed []error
	for !p.over {
		for _, c := range p.cursors {
			if len(c.events) > 0 || c.ended {
				continue
			}
			if err := c.refill(); err != nil && ctx.Err() == nil {
				failed = append(failed, NewSourceError(c.in.spec, err))
			}
			if p.progress != nil {
				p.progress(progressOf(p.cursors))
			}
		}
		in, run := p.next()
		if in == nil {
			break
		}
		if err := p.model.feed(in, run); err != nil {
			return err
		}
		// Whoever ends a replay closes its sources at once.
		if err := p.between(in, run); err != nil && ctx.Err() == nil {
			return NewSourceError(in.spec, err)
		}
		if ctx.Err() != nil {
			break
		}
	}
	return errors.Join(failed...)
}

// next takes from the source whose next event is the earliest those events that come before the next of any other, up
// to the one after which a report or a run of the checks is due, within the span. The source is nil when all are at
// their end.
func (p *replaying) next() (*input, []event.Event) {
	var first *cursor
	until := event.Time(math.MaxInt64)
	for _, c := range p.cursors {
		switch {
		case len(c.events) == 0:
		case first == nil:
			first = c
		case c.events[0].Time < first.events[0].Time:
			until, first = first.events[0].Time, c
		default:
			until = min(until, c.events[0].Time)
		}
	}
	if first == nil {
		return nil, nil
	}
	n := 0
	for n < len(first.events) {
		t := first.events[n].Time
		switch {
		case n > 0 && t >= until:
			return first.take(n)
		case p.span == 0 || t == 0:
		case p.end == 0:
			p.end = t.Add(p.span)
		case t >= p.end:
			p.over = true
			return first.take(n)
		}
		n++
		if p.reportDue(t) {
			break
		}
	}
	return first.take(n)
}

// between is what is done after events were fed.
func (p *replaying) between(in *input, run []event.Event) error {
	if len(run) == 0 {
		return nil
	}
	now := run[len(run)-1].Time
	if p.reportDue(now) {
		p.reportNow(now)
	}
	if in.ask != nil && now != 0 {
		return in.ask.replay(now)
	}
	return nil
}

// reportDue reports whether the second after the call before is over, for a caller that is called once for every
// second of event time.
func (p *replaying) reportDue(now event.Time) bool {
	wait := p.nextReport.Sub(now)
	return p.model.onReport != nil && now != 0 && (wait <= 0 || wait >= 2*time.Second) // more: the stamps went back
}

// reportNow hands on the report of the replay at a moment.
func (p *replaying) reportNow(now event.Time) {
	p.nextReport = now.Add(time.Second)
	m := p.model
	m.boat.Tick(now)
	m.onReport(m.boat.Now(), m.report(), m.gauge.Conditions(m.boat.Now()))
}

// take gives the first events of those that were read.
func (c *cursor) take(n int) (*input, []event.Event) {
	run := c.events[:n]
	c.events = c.events[n:]
	return c.in, run
}

// ownBefore are the NAMEs that were our own when the traffic was received.
func ownBefore(known *report.Report) []pgn.NAME {
	var names []pgn.NAME
	for _, d := range devicesOf(known) {
		if name, err := strconv.ParseUint(d.ID, 16, 64); err == nil && d.Own {
			names = append(names, pgn.NAME(name))
		}
	}
	return names
}

func devicesOf(r *report.Report) []report.Device {
	if r == nil {
		return nil
	}
	return r.Devices
}

// noteUnansweredBefore gives the model the devices that did not answer when the traffic was received.
func (m *model) noteUnansweredBefore(known *report.Report) {
	for _, dev := range devicesOf(known) {
		name, err := strconv.ParseUint(dev.ID, 16, 64)
		if err != nil || dev.Unanswered == "" {
			continue
		}
		for n := range m.sources.nextNetwork() {
			m.boat.GaveUp(n, pgn.NAME(name), dev.Unanswered)
		}
	}
}

// refill reads on. At the end it returns nil, and then nothing more is read.
func (c *cursor) refill() error {
	n, err := c.in.src.Read(c.room)
	c.events = c.room[:n]
	if err == nil {
		return nil
	}
	c.ended = true
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// progressOf adds up how far the captures are; the total is 0 when the size of one of them is unknown.
func progressOf(cursors []*cursor) (read, total int64) {
	known := true
	for _, c := range cursors {
		f, ok := c.in.src.(tap.Recorded)
		if !ok {
			return 0, 0
		}
		r, t := f.Progress()
		known = known && t > 0
		read, total = read+r, total+t
	}
	if !known {
		total = 0
	}
	return read, total
}

// replay lets our presence act at a moment of a simulation's own time; its frames go straight to the bus.
func (a *asking) replay(now event.Time) error {
	if next := a.asker.Next(); !a.started || next != 0 && next <= now {
		a.tick(now)
	}
	for {
		select {
		case f := <-a.queue:
			if err := a.sender.Send(f); err != nil {
				return err
			}
		default:
			return nil
		}
	}
}
