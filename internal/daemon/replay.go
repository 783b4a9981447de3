package daemon

import (
	"context"
	"errors"
	"io"
	"strconv"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/tap"
	"muster/pgn"
)

// cursor is where a replay stands in one source.
type cursor struct {
	in     *input
	ahead  *ahead // nil: read on the caller's goroutine
	events []event.Event
	next   int // the first of events not yet fed
	ended  bool
}

// Replay reads captures and simulations to their end, or to the end of a span of their own time, as fast as they can be
// read, and returns the report. Several sources are read side by side in the order of their times. Files are read ahead; the model
// runs on the caller's goroutine and looks at no clock, so that the same input gives the same report. progress may be nil; it is told how many
// bytes of how many have been read.
//
// The report holds what was read even when there is an error.
func Replay(ctx context.Context, opt Options, span time.Duration, progress func(read, total int64)) (*boat.Report, error) {
	opt.Config.Listen, opt.replay = "off", true
	d, err := New(opt)
	if err != nil {
		return nil, err
	}
	defer d.Stop()
	defer context.AfterFunc(ctx, d.closeAll)()

	size := batchEvents
	if d.asks() {
		size = 1 // what we ask comes back in the order of the bus
	}
	var cursors []*cursor
	for _, in := range d.inputs() {
		c := &cursor{in: in}
		if f, ok := in.src.(tap.Recorded); ok && size > 1 && sized(f) {
			c.ahead = readAhead(f, aheadEvents)
			defer c.ahead.close()
		} else {
			c.events = make([]event.Event, 0, size)
		}
		cursors = append(cursors, c)
	}
	err = d.replay(ctx, cursors, span, progress)
	d.noteUnansweredBefore()
	d.finish()
	r := d.Report()
	if r.TakenAt.IsZero() {
		r.Clock = boat.ClockUnset
	}
	return r, err
}

func (d *Daemon) replay(ctx context.Context, cursors []*cursor, span time.Duration, progress func(read, total int64)) error {
	var end event.Time
	var failed []error
	for {
		var first *cursor
		for _, c := range cursors {
			if c.next == len(c.events) && !c.ended {
				if err := c.refill(); err != nil && ctx.Err() == nil {
					failed = append(failed, NewSourceError(c.in.spec, err))
				}
				if progress != nil {
					progress(progressOf(cursors))
				}
			}
			if c.next < len(c.events) && (first == nil || c.events[c.next].Time < first.events[first.next].Time) {
				first = c
			}
		}
		if first == nil {
			return errors.Join(failed...)
		}
		// Alone, a source is fed by the batch; side by side, one event at a time.
		upTo := first.next + 1
		if len(cursors) == 1 {
			upTo = len(first.events)
			if span == 0 && d.opt.OnReport == nil && first.in.ask == nil { // nothing is to be done between the events
				if err := d.feedAll(first.in, first.events[first.next:]); err != nil {
					return err
				}
				first.next = upTo
			}
		}
		for ; first.next < upTo; first.next++ {
			e := &first.events[first.next]
			if span > 0 && e.Time != 0 {
				if end == 0 {
					end = e.Time.Add(span)
				} else if e.Time >= end {
					return errors.Join(failed...)
				}
			}
			now := e.Time
			if err := d.feed(first.in, e); err != nil {
				return err
			}
			if d.opt.OnReport != nil {
				d.lookDue(now)
			}
			if first.in.ask != nil && now != 0 {
				if err := first.in.ask.replay(now); err != nil && ctx.Err() == nil { // whoever ends a replay closes its sources at once
					return NewSourceError(first.in.spec, err)
				}
			}
		}
		if ctx.Err() != nil {
			return errors.Join(failed...)
		}
	}
}

// sized reports whether the source is a file of known length, whose reads never wait for more to come.
func sized(f tap.Recorded) bool {
	_, total := f.Progress()
	return total > 0
}

// ownBefore are the NAMEs that were our own when the traffic was heard.
func ownBefore(known *boat.Report) []pgn.NAME {
	var names []pgn.NAME
	for _, d := range devicesOf(known) {
		if name, err := strconv.ParseUint(d.ID, 16, 64); err == nil && d.Own {
			names = append(names, pgn.NAME(name))
		}
	}
	return names
}

func devicesOf(r *boat.Report) []boat.Device {
	if r == nil {
		return nil
	}
	return r.Devices
}

// noteUnansweredBefore tells the model which devices did not answer when the traffic was heard.
func (d *Daemon) noteUnansweredBefore() {
	for _, dev := range devicesOf(d.opt.Known) {
		name, err := strconv.ParseUint(dev.ID, 16, 64)
		if err != nil || dev.Unanswered == "" {
			continue
		}
		for n := range d.nextNetwork() {
			d.model.GaveUp(n, pgn.NAME(name), dev.Unanswered)
		}
	}
}

// refill reads on. At the end it returns nil, and then nothing more is read.
func (c *cursor) refill() error {
	var err error
	if c.next = 0; c.ahead != nil {
		c.events, err = c.ahead.next()
	} else {
		var n int
		n, err = c.in.src.Read(c.events[:cap(c.events)])
		c.events = c.events[:n]
	}
	if err == nil {
		return nil
	}
	c.ended = true
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// progressOf adds up how far the captures are; the total is 0 when one of them does not know it.
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
