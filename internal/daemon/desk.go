package daemon

import (
	"context"
	"fmt"
	"slices"
	"time"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/snapshot"
	"muster/internal/store"
)

// desk is where people act; each act runs on the model's goroutine. It implements api.Desk.
type desk struct {
	*model
	api.Jobs
	reload func(ctx context.Context) (api.Reloaded, error)
}

// ReloadConfig implements api.Desk.
func (k desk) ReloadConfig(ctx context.Context) (api.Reloaded, error) { return k.reload(ctx) }

// Acknowledge implements api.Desk.
func (k desk) Acknowledge(ctx context.Context, id, by string) error {
	return k.do(ctx, func() error {
		change, err := k.watch.Book().Acknowledge(id, by, k.actTime())
		if err == nil {
			k.changed(change)
		}
		return err
	})
}

// Unacknowledge implements api.Desk.
func (k desk) Unacknowledge(ctx context.Context, id string) error {
	return k.do(ctx, func() error {
		change, err := k.watch.Book().Unacknowledge(id, k.actTime())
		if err == nil {
			k.changed(change)
		}
		return err
	})
}

// AddManual implements api.Desk.
func (k desk) AddManual(ctx context.Context, m boat.Manual) (boat.Manual, error) {
	err := k.do(ctx, func() error {
		if len(k.manual.list) >= maxManual {
			return fmt.Errorf("enter a device: %w: %d are entered, remove some", api.ErrFull, len(k.manual.list))
		}
		k.manual.count++
		m.ID, m.At = fmt.Sprintf("m%d", k.manual.count), k.actTime()
		k.manual.list = append(slices.Clone(k.manual.list), m)
		k.boat.SetManual(k.entered())
		k.manual.keep(k.keeping.keeper.store)
		return nil
	})
	return m, err
}

// RemoveManual implements api.Desk.
func (k desk) RemoveManual(ctx context.Context, id string) error {
	return k.do(ctx, func() error {
		i := slices.IndexFunc(k.manual.list, func(m boat.Manual) bool { return m.ID == id })
		if i < 0 {
			return fmt.Errorf("device %q entered by hand: %w", id, api.ErrNoSuch)
		}
		k.manual.list = slices.Delete(slices.Clone(k.manual.list), i, i+1)
		k.boat.SetManual(k.entered())
		k.manual.keep(k.keeping.keeper.store)
		return nil
	})
}

// Decisions implements api.Desk.
func (k desk) Decisions() []boat.Decision { return k.view.Load().decided }

// Decide implements api.Desk.
func (k desk) Decide(ctx context.Context, d boat.Decision) error {
	return k.do(ctx, func() error {
		r := k.report()
		for _, id := range []string{d.A, d.B} {
			if r.Unit(id) == nil {
				return fmt.Errorf("unit or presence %q: %w: its page shows the ids", id, api.ErrNoSuch)
			}
		}
		rest := slices.DeleteFunc(slices.Clone(k.manual.same), func(o boat.Decision) bool { return o.Of(d.A, d.B) })
		if len(rest) >= maxDecided {
			return fmt.Errorf("decide: %w: %d are decided, remove some", api.ErrFull, len(rest))
		}
		d.At = k.actTime()
		k.decide(append(rest, d))
		return nil
	})
}

// Undecide implements api.Desk.
func (k desk) Undecide(ctx context.Context, a, b string) error {
	return k.do(ctx, func() error {
		rest := slices.DeleteFunc(slices.Clone(k.manual.same), func(o boat.Decision) bool { return o.Of(a, b) })
		if len(rest) == len(k.manual.same) {
			return fmt.Errorf("decision of %q and %q: %w", a, b, api.ErrNoSuch)
		}
		k.decide(rest)
		return nil
	})
}

// decide puts what was decided in force and keeps it.
func (k desk) decide(list []boat.Decision) {
	k.manual.same = list
	k.boat.SetDecisions(k.decisions())
	k.manual.keep(k.keeping.keeper.store)
}

// Silences implements api.Desk.
func (k desk) Silences() []alert.Silence { return k.view.Load().silences }

// Silence implements api.Desk.
func (k desk) Silence(ctx context.Context, s alert.Silence, span time.Duration) (alert.Silence, error) {
	s.Current()
	err := k.do(ctx, func() error {
		if s.Check != "" && !slices.Contains(check.IDs(), s.Check) {
			return fmt.Errorf("silence: check: there is no check %q: the config and the alerts show their ids", s.Check)
		}
		if s.Alert != "" && !slices.ContainsFunc(k.view.Load().report.Alerts, func(a alert.Alert) bool {
			return a.ID == s.Alert && a.State != alert.StatusCleared
		}) {
			return fmt.Errorf("silence alert %q: %w: the report lists the ids", s.Alert, alert.ErrUnknown)
		}
		now := k.actTime()
		s.From, s.Until = k.silenceFrom(now), now.Add(span)
		k.keeping.silenced = true
		return k.watch.Book().Silence(s)
	})
	return s, err
}

// EndSilence implements api.Desk.
func (k desk) EndSilence(ctx context.Context, scope alert.Silence) error {
	scope.Current()
	return k.do(ctx, func() error {
		if err := k.watch.Book().EndSilence(scope); err != nil {
			return fmt.Errorf("%w: %w", api.ErrNoSuch, err)
		}
		k.keeping.silenced = true
		return nil
	})
}

// Baseline implements api.Desk.
func (k desk) Baseline() (s *snapshot.Snapshot, named bool) {
	b := k.view.Load().baseline
	return b.Snapshot, b.named
}

// SetBaseline implements api.Desk. What is set is kept over a restart.
func (k desk) SetBaseline(ctx context.Context, s *snapshot.Snapshot) error {
	var text []byte
	if s != nil {
		var err error
		if text, err = s.Encode(); err != nil {
			return err
		}
	}
	return k.do(ctx, func() error {
		if k.base.named {
			return fmt.Errorf("baseline: %w", api.ErrNamed)
		}
		if s == nil && k.base.Snapshot == nil {
			return fmt.Errorf("baseline: %w: none is set", api.ErrNoSuch)
		}
		if s == nil {
			k.keeping.keeper.store.Delete(store.Baseline, baselineKey)
		} else {
			k.keeping.keeper.store.Put(store.Baseline, baselineKey, text)
		}
		k.setBaseline(baseline{Snapshot: s})
		return nil
	})
}
