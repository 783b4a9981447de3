package daemon

import (
	"slices"
	"time"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/report"
)

// work is the work order being followed and the one that was followed before it. It belongs to the model's goroutine.
type work struct {
	follower  *release.Follower  // nil when none is followed
	preChecks []release.PreCheck // as last made before the first step was begun
	finished  *release.Follower  // of the order that was followed last and is no longer; nil for none
	ended     api.Work           // how that one ended
}

// now is the order being followed, and how far it is.
func (w *work) now() api.Work {
	shown := shownWork(w.follower)
	shown.PreChecks = w.preChecks
	return shown
}

// end makes an order, if there is one, the one that was followed last.
func (w *work) end(f *release.Follower) {
	if f != nil {
		w.finished, w.ended = f, shownWork(f)
	}
}

func shownWork(f *release.Follower) api.Work {
	if f == nil {
		return api.Work{}
	}
	return api.Work{Order: f.Order(), Status: f.Status(), Done: f.Done()}
}

// takeWork lets an order, or none, be followed instead of the present one, which is kept as it ended.
func (m *model) takeWork(f *release.Follower) {
	m.endWorkSilences()
	m.work.end(m.work.follower)
	m.work.follower, m.work.preChecks, m.keeping.work = f, nil, true
}

// follow lets the work order see the report.
func (m *model) follow(r *report.Report, c release.Conditions) {
	f := m.work.follower
	if f == nil {
		return
	}
	now := m.boat.Now()
	m.logSteps(f.Observe(now, r, c))
	m.silenceWork(now)
	if f.Waiting() {
		m.work.preChecks = f.Order().Check(r, c)
	}
}

func (m *model) logSteps(changes []release.StepChange) {
	m.keeping.work = m.keeping.work || len(changes) > 0
	for _, c := range changes {
		m.log.Info().Str("step", c.Step).Str("device", c.Label).Str("state", string(c.To)).Str("note", c.Note).
			Msg("work order")
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
func (m *model) silenceWork(now event.Time) {
	if !slices.ContainsFunc(m.work.follower.Status(), func(s release.StepStatus) bool {
		return s.State == release.StepLeft || s.State == release.StepBack || s.State == release.StepIdentified
	}) {
		return
	}
	book := m.watch.Book()
	set := book.Silences()
	for _, step := range m.work.follower.Order().Steps() {
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
