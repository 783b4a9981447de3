package daemon

import (
	"slices"
	"time"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/event"
	"muster/internal/release"
)

// follow silences the alerts that the work order of the open job brings, and ends that with the work.
func (m *model) follow() {
	if m.jobs == nil {
		return
	}
	work := m.jobs.work()
	switch {
	case work != nil:
		m.working = true
		m.silenceWork(m.boat.Now(), work)
	case m.working:
		m.working = false
		m.endWorkSilences()
	}
}

// silenceFrom lets a silence hold from the latest run of the checks on, so that open alerts are shown as silenced at
// once.
func (m *model) silenceFrom(now event.Time) event.Time { return now.Add(-m.watch.Every()) }

// workSilence is how long after a step was last under way its order silences the alerts that work brings; as long as
// a restart counts by the checks' defaults.
const workSilence = time.Hour

// silenceWork silences the alerts that work brings, for the devices of the order, from the first step on. Each step
// that is under way prolongs it; the end of the order ends it.
func (m *model) silenceWork(now event.Time, work *api.Work) {
	if !slices.ContainsFunc(work.Status, func(s release.StepStatus) bool {
		return s.State == release.StepLeft || s.State == release.StepBack || s.State == release.StepIdentified
	}) {
		return
	}
	book := m.watch.Book()
	set := book.Silences()
	for _, step := range work.Order.Steps() {
		s := alert.Silence{Work: true, Device: step.Device.ID, From: m.silenceFrom(now), Until: now.Add(workSilence),
			By: "muster", Why: "the device is in the work order being followed"}
		if i := slices.IndexFunc(set, func(o alert.Silence) bool { return o.Work && o.Device == s.Device }); i >= 0 {
			if set[i].Until.Sub(now) > workSilence/2 {
				continue
			}
			s.From = set[i].From
		}
		if err := book.Silence(s); err != nil {
			m.log.Warn().Err(err).Str("device", s.Device).Msg("alerts of a device being updated are sent")
			return
		}
		m.keeping.silenced = true
	}
}

// endWorkSilences ends what silenceWork set.
func (m *model) endWorkSilences() {
	book := m.watch.Book()
	for _, s := range book.Silences() {
		if s.Work && book.EndSilence(s) == nil {
			m.keeping.silenced = true
		}
	}
}
