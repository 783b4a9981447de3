package daemon

import (
	"context"
	"fmt"
	"slices"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/report"
)

// maxManual bounds the devices entered by hand.
const maxManual = 200

// do runs act on the model's goroutine, and makes a new report when it has succeeded.
func (d *Daemon) do(ctx context.Context, act func() error) error {
	answer := make(chan error, 1)
	asked := func() {
		err := act()
		if err == nil {
			d.publish()
		}
		answer <- err
	}
	select {
	case d.acts <- asked:
	case <-d.done:
		return errStopped
	case <-ctx.Done():
		return ctx.Err()
	}
	select {
	case err := <-answer:
		if err == nil && d.store != nil {
			d.writeStore() // what a person was told is done must not be lost
		}
		return err
	case <-d.done:
		return errStopped
	}
}

// actTime is the event time of what a person does now. In the first second after a start the model knows none yet.
func (d *Daemon) actTime() event.Time {
	now := d.model.Now()
	if d.live {
		now = max(now, event.At(d.now()).Add(-lateness))
	}
	return now
}

// Acknowledge implements api.Desk.
func (d *Daemon) Acknowledge(ctx context.Context, id, by string) error {
	return d.do(ctx, func() error {
		change, err := d.watch.Book().Acknowledge(id, by, d.actTime())
		if err == nil {
			d.changed(change)
		}
		return err
	})
}

// AddManual implements api.Desk.
func (d *Daemon) AddManual(ctx context.Context, m boat.Manual) (boat.Manual, error) {
	err := d.do(ctx, func() error {
		if len(d.manual) >= maxManual {
			return fmt.Errorf("enter a device: %w: %d are entered, remove some", api.ErrFull, len(d.manual))
		}
		d.manualCount++
		m.ID, m.At = fmt.Sprintf("m%d", d.manualCount), d.actTime()
		d.manual = append(slices.Clone(d.manual), m)
		d.model.SetManual(d.entered())
		d.keepManual()
		return nil
	})
	return m, err
}

// RemoveManual implements api.Desk.
func (d *Daemon) RemoveManual(ctx context.Context, id string) error {
	return d.do(ctx, func() error {
		i := slices.IndexFunc(d.manual, func(m boat.Manual) bool { return m.ID == id })
		if i < 0 {
			return fmt.Errorf("device %q entered by hand: %w", id, api.ErrNoSuch)
		}
		d.manual = slices.Delete(slices.Clone(d.manual), i, i+1)
		d.model.SetManual(d.entered())
		d.keepManual()
		return nil
	})
}

// Work implements api.Desk.
func (d *Daemon) Work() api.Work {
	if w := d.work.Load(); w != nil {
		return *w
	}
	return api.Work{}
}

// LastWork implements api.Desk.
func (d *Daemon) LastWork() api.Work {
	w := d.Work()
	if before := d.workBefore.Load(); w.Order == nil && before != nil {
		return *before
	}
	return w
}

// Follow implements api.Desk.
func (d *Daemon) Follow(ctx context.Context, o *release.Order) error {
	return d.do(ctx, func() error {
		if o == nil {
			if d.follower == nil {
				return fmt.Errorf("work order: %w: none is being followed", api.ErrNoSuch)
			}
			d.takeWork(nil)
			return nil
		}
		r := d.latest.Load()
		if err := o.CheckBoat(r); err != nil {
			return err
		}
		f, err := release.NewFollower(o, r)
		if err != nil {
			return err
		}
		d.takeWork(f)
		return nil
	})
}

// takeWork lets an order, or none, be followed in the place of the present one, which is kept as it ended.
func (d *Daemon) takeWork(f *release.Follower) {
	d.endWorkSilences()
	if d.follower != nil {
		d.endedWork(d.follower)
	}
	d.follower, d.preChecks, d.keeping.work = f, nil, true
}

// endedWork makes an order the one that was followed last.
func (d *Daemon) endedWork(f *release.Follower) {
	d.finished = f
	d.workBefore.Store(&api.Work{Order: f.Order(), Status: f.Status(), Done: f.Done()})
}

// Confirm implements api.Desk.
func (d *Daemon) Confirm(ctx context.Context, step, version, by string) error {
	return d.do(ctx, func() error {
		if d.follower == nil {
			return fmt.Errorf("confirm step %q: %w: no work order is being followed", step, api.ErrNoSuch)
		}
		if steps := d.follower.Order().Steps(); !slices.ContainsFunc(steps, func(s *release.Step) bool { return s.ID == step }) {
			return fmt.Errorf("confirm step %q: %w in the order", step, api.ErrNoSuch)
		}
		changes, err := d.follower.Confirm(d.model.Now(), step, version, by)
		d.logSteps(changes)
		return err
	})
}

// follow lets the work order see the report.
func (d *Daemon) follow(r *report.Report) {
	if d.follower == nil {
		d.work.Store(nil)
		return
	}
	now := d.model.Now()
	c := d.gauge.Conditions(now)
	d.logSteps(d.follower.Observe(now, r, c))
	d.silenceWork(now)
	if d.follower.Waiting() {
		d.preChecks = d.follower.Order().Check(r, c)
	}
	d.work.Store(&api.Work{Order: d.follower.Order(), Status: d.follower.Status(), Done: d.follower.Done(), PreChecks: d.preChecks})
}

func (d *Daemon) logSteps(changes []release.StepChange) {
	d.keeping.work = d.keeping.work || len(changes) > 0
	for _, c := range changes {
		d.log.Info().Str("step", c.Step).Str("device", c.Label).Str("state", string(c.To)).Str("note", c.Note).Msg("work order")
	}
}
