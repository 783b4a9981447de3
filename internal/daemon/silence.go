package daemon

import (
	"context"
	"fmt"
	"slices"
	"time"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/release"
)

// Silences implements api.Desk.
func (d *Daemon) Silences() []alert.Silence {
	if list := d.silences.Load(); list != nil {
		return *list
	}
	return nil
}

// Silence implements api.Desk.
func (d *Daemon) Silence(ctx context.Context, s alert.Silence, span time.Duration) (alert.Silence, error) {
	s.Current()
	err := d.do(ctx, func() error {
		if s.Check != "" && !slices.Contains(check.IDs(), s.Check) {
			return fmt.Errorf("silence: check: there is no check %q: the config and the alerts show their ids", s.Check)
		}
		if s.Alert != "" && !slices.ContainsFunc(d.latest.Load().Alerts, func(a alert.Alert) bool { return a.ID == s.Alert && a.State != alert.StatusCleared }) {
			return fmt.Errorf("silence alert %q: %w: the report lists the ids", s.Alert, alert.ErrUnknown)
		}
		now := d.actTime()
		s.From, s.Until = d.silenceFrom(now), now.Add(span)
		d.keeping.silenced = true
		return d.watch.Book().Silence(s)
	})
	return s, err
}

// EndSilence implements api.Desk.
func (d *Daemon) EndSilence(ctx context.Context, scope alert.Silence) error {
	scope.Current()
	return d.do(ctx, func() error {
		if err := d.watch.Book().EndSilence(scope); err != nil {
			return fmt.Errorf("%w: %w", api.ErrNoSuch, err)
		}
		d.keeping.silenced = true
		return nil
	})
}

// silenceFrom lets a silence hold from the latest run of the checks on, so that what stands is shown as silenced at once.
func (d *Daemon) silenceFrom(now event.Time) event.Time { return now.Add(-d.watch.Every()) }

// workSilence is how long after a step was last under way its order keeps the alerts that work brings from being told; as long as a
// restart counts by the checks' defaults.
const workSilence = time.Hour

// silenceWork keeps what work brings about from being told, for the devices of the order, from the first step on. Each step that is
// under way prolongs it; the end of the order ends it.
func (d *Daemon) silenceWork(now event.Time) {
	if !slices.ContainsFunc(d.follower.Status(), func(s release.StepStatus) bool {
		return s.State == release.StepLeft || s.State == release.StepBack || s.State == release.StepIdentified
	}) {
		return
	}
	book := d.watch.Book()
	set := book.Silences()
	for _, step := range d.follower.Order().Steps() {
		s := alert.Silence{Work: true, Device: step.Device.ID, From: d.silenceFrom(now), Until: now.Add(workSilence), By: "muster", Why: "the device is in the work order being followed"}
		if i := slices.IndexFunc(set, func(o alert.Silence) bool { return o.Work && o.Device == s.Device }); i >= 0 {
			if set[i].Until.Sub(now) > workSilence/2 {
				continue
			}
			s.From = set[i].From
		}
		if err := book.Silence(s); err != nil {
			d.log.Warn().Err(err).Str("device", s.Device).Msg("alerts of a device being worked on are told")
			return
		}
		d.keeping.silenced = true
	}
}

// endWorkSilences ends what silenceWork set.
func (d *Daemon) endWorkSilences() {
	book := d.watch.Book()
	for _, s := range book.Silences() {
		if s.Work && book.EndSilence(s) == nil {
			d.keeping.silenced = true
		}
	}
}
