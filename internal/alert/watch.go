package alert

import (
	"slices"
	"time"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
)

// Model is what a Watch needs of the boat: *boat.Boat has it.
type Model interface {
	Feed(...event.Event)
	Tick(now event.Time)
	State() *boat.State
}

// Watch runs the checks over a boat at every full interval of event time and keeps the Book. Everything that is fed to the boat goes
// through it, so that one stream of events gives one list of alerts, however it was cut into batches.
type Watch struct {
	// OnChange receives every change in order, from within Feed, Advance and Finish. May be nil.
	OnChange func(Change)

	model    Model
	settings check.Settings
	rules    []check.Rule
	book     *Book
	next     event.Time // the checks run next when event time reaches this
	last     event.Time // event time so far
	furthest event.Time // the latest that the checks ran for before the clock was set back
	fed      int        // events since the checks last ran
}

// NewWatch watches over a model with every rule.
func NewWatch(model Model, rules check.Settings, alerts Settings) *Watch {
	w := &Watch{model: model, rules: check.All(), book: New(alerts)}
	w.settings = withInterval(rules)
	return w
}

func withInterval(s check.Settings) check.Settings {
	if s.Every <= 0 {
		s.Every = check.DefaultSettings().Every
	}
	return s
}

// SetExtra adds rules from elsewhere, such as those that need release sheets, to the common table; it replaces those set before.
func (w *Watch) SetExtra(rules []check.Rule) { w.rules = append(check.All(), rules...) }

// Configure changes the settings of a Watch in use; its alerts stay.
func (w *Watch) Configure(rules check.Settings, alerts Settings) {
	rules.Recorded = w.settings.Recorded
	w.settings = withInterval(rules)
	w.book.Configure(alerts)
	if every := event.Time(w.settings.Every); w.next != 0 {
		w.next = w.last - w.last%every + every
	}
}

// Record makes a new Watch check all that a recording holds: see Book.Record.
func (w *Watch) Record() {
	w.settings.Recorded = true
	w.book.Record()
}

// Book is the Watch's own, for acknowledging, silencing and keeping.
func (w *Watch) Book() *Book { return w.book }

// Feed hands the events to the boat, in their order, and runs the checks for every full interval that ends at or before one of them.
func (w *Watch) Feed(events ...event.Event) {
	fed := 0
	feed := func(until int) {
		w.model.Feed(events[fed:until]...)
		w.fed += until - fed
		fed = until
	}
	for i := range events {
		t := events[i].Time
		switch {
		case t.IsZero(): // an unstamped source has no event time
		case t >= w.next, t < w.last-maxBack*event.Time(w.settings.Every):
			feed(i)
			w.move(t)
		case t > w.last:
			w.last = t
		}
	}
	feed(len(events))
}

// Advance moves event time on when no event does, by a live clock. It must not run ahead of events still to come:
// stay as far behind the clock as a source may be late.
func (w *Watch) Advance(now event.Time) {
	if now > w.last {
		w.move(now)
		w.model.Tick(now)
	}
}

// Shift moves times from within the span by the given duration, as when the clock that gave them was set. Whoever feeds the Watch moves
// the boat and what is fed from now on likewise.
func (w *Watch) Shift(from, to event.Time, by time.Duration) {
	if w.next != 0 {
		every := event.Time(w.settings.Every)
		w.last = w.last.Add(by)
		w.next = w.last - w.last%every + every
		w.furthest = 0
	}
	w.book.shift(from, to, by)
}

// Finish runs the checks for the last moment, whether or not an interval is full.
func (w *Watch) Finish() { w.judge(w.last) }

// State is the boat as the checks see it.
func (w *Watch) State() *boat.State { return w.model.State() }

// Look checks a state of the boat without changing the Book: what was judged and what was not, and the alerts of the
// Book. Those that have not cleared yet though the state has no such finding have AwaySince set.
func (w *Watch) Look(s *boat.State) ([]Alert, check.Judgement) {
	j := check.Judge(w.rules, s, s.TakenAt, &w.settings)
	there := make(map[string]bool, len(j.Findings))
	for i := range j.Findings {
		there[ID(&j.Findings[i])] = true
	}
	alerts := w.book.Alerts()
	for i := range alerts {
		if a := &alerts[i]; a.State != StatusCleared && !there[a.ID] && a.AwaySince.IsZero() && !w.book.recorded {
			a.AwaySince = s.TakenAt
		}
	}
	return alerts, j
}

const (
	dense   = 36 // intervals of a gap in time at which the checks run; from then on each is twice as long as the one before
	maxBack = 2  // intervals that time may go back before the clock counts as set back
	fewFed  = 64 // events needed for the checks to run again for a time that they ran for before the clock was set back
)

// move runs the checks for the intervals that end up to t. What it costs is bounded by the events, whatever their times.
func (w *Watch) move(t event.Time) {
	every := event.Time(w.settings.Every)
	ends := t - t%every // the last interval that ends up to t
	switch {
	case w.next == 0 || t < w.last-maxBack*every:
		w.furthest = max(w.furthest, w.next-every)
		w.next = ends + every
		w.last = t
		w.book.begin(t)
		return
	case t < w.next:
		w.last = max(w.last, t)
		return
	}
	w.last = t
	if w.next <= w.furthest { // again
		w.next = min(ends, w.furthest+every)
		if ends <= w.furthest && w.fed < fewFed {
			w.next = ends + every
			return
		}
	}
	for n, step := 1, every; w.next <= ends; n++ {
		w.model.Tick(w.next)
		w.judge(w.next)
		if n >= dense {
			step *= 2
		}
		switch {
		case w.next == ends:
			w.next += every
		case ends-w.next < step:
			w.next = ends
		default:
			w.next += step
		}
	}
}

// judge runs the checks as of now.
func (w *Watch) judge(now event.Time) {
	w.fed = 0
	changes := w.book.Update(now, check.Judge(w.rules, w.model.State(), now, &w.settings).Findings)
	if w.OnChange == nil {
		return
	}
	for _, c := range changes {
		w.OnChange(c)
	}
}

// Runs reports whether a check with this id runs.
func (w *Watch) Runs(id string) bool {
	return slices.ContainsFunc(w.rules, func(r check.Rule) bool { return r.ID == id })
}

// Every is the interval at which the checks run.
func (w *Watch) Every() time.Duration { return w.settings.Every }
