package release

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"muster/internal/event"
	"muster/internal/report"
)

// watch is one run over one step.
type watch struct {
	f       *Follower
	i       int
	step    *Step
	rec     *record
	now     event.Time
	report  *report.Report
	cond    Conditions
	changes []StepChange

	device *report.Device // nil when it is not in the report
}

func (r *record) note(s string) {
	if !slices.Contains(r.Status.Notes, s) && len(r.Status.Notes) < 20 {
		r.Status.Notes = append(r.Status.Notes, s)
	}
}

// to moves the step on.
func (w *watch) to(state StepState, at event.Time, note string) {
	s := &w.rec.Status
	c := StepChange{Step: s.Step, Device: s.Device, Label: s.Label, From: s.State, To: state, At: at, Note: note}
	switch state {
	case StepLeft:
		s.BackAt, s.IdentifiedAt, s.VerifiedAt, s.FailedAt, s.Version = 0, 0, 0, 0, ""
	case StepBack:
		s.BackAt, s.IdentifiedAt, s.FailedAt = at, 0, 0
		if n := len(s.Absences); n > 0 {
			s.Absences[n-1].To = at
		}
		w.rec.Restarts = w.device.Restarts // coming back counts as a restart, which is not one more
	case StepIdentified:
		s.IdentifiedAt, s.FailedAt = at, 0
	case StepVerified:
		s.VerifiedAt, s.FailedAt, s.Failures = at, 0, nil
	case StepFailed, StepReentry, StepDisputed:
		s.FailedAt = at
		c.Failures = slices.Clone(s.Failures)
	}
	s.State = state
	if note != "" {
		w.rec.note(note)
	}
	w.changes = append(w.changes, c)
}

// tell reports something without moving the step.
func (w *watch) tell(note string) {
	s := &w.rec.Status
	w.rec.note(note)
	w.changes = append(w.changes, StepChange{Step: s.Step, Device: s.Device, Label: s.Label, From: s.State, To: s.State,
		At: w.now, Note: note})
}

func (w *watch) fail(list ...Failure) { w.stop(StepFailed, list) }

// stop ends the step for now, in a state that shows what is wrong.
func (w *watch) stop(state StepState, list []Failure) {
	w.rec.Status.Failures = list
	w.to(state, w.now, "")
}

// follow moves the step as far as the report carries it.
func (w *watch) follow() {
	if w.step.Device.ByHand != nil {
		w.lookByHand()
		return
	}
	w.find()
	for range 8 { // a step goes through at most five states in one run
		before := w.rec.Status.State
		w.once()
		if w.rec.Status.State == before {
			break
		}
	}
	d := w.device
	switch {
	case w.present():
		w.rec.Restarts = d.Restarts
		if w.reported() {
			w.rec.Shown = d.Version()
		}
		w.rec.Seen = max(w.rec.Seen, d.LastSeen)
		if d.LastSeen == 0 {
			w.rec.Seen = w.now
		}
		if w.rec.Status.State == StepWaiting {
			w.rec.count(d)
		}
	case d != nil:
		w.rec.count(d)
	}
}

// once moves the step by one state at most.
func (w *watch) once() {
	s := &w.rec.Status
	switch s.State {
	case StepVerified:
		if s.ReadByHand() && w.present() && w.reported() {
			w.holdAgainst()
		}
	case StepWaiting:
		switch {
		case w.leave():
		case w.present() && s.Now != "": // another NAME of the same unit: it must have left
			w.absent(w.rec.Seen, w.rec.Seen)
			w.to(StepLeft, w.rec.Seen, "it left and came back unseen")
		case w.present() && w.f.isTarget(w.i, w.device.Version()):
			w.absent(w.rec.Seen, w.rec.Seen)
			w.identified("it left and came back unseen")
		}
	case StepLeft:
		w.away()
	case StepBack, StepIdentified:
		if w.leave() {
			return
		}
		if s.State == StepIdentified {
			w.verify()
		} else if w.reported() {
			w.identified("")
		} else if w.now.Sub(w.since(s.BackAt)) > identifyWithin {
			w.fail(Failure{Reason: ReasonNotIdentified, Text: "came back but did not report its version: ask with --ask, or read it on its own screen and confirm by hand"})
		}
	case StepFailed, StepReentry, StepDisputed:
		w.failed()
	}
}

// since is the later of a time and the start of the report: without a report, no time limit runs.
func (w *watch) since(t event.Time) event.Time { return max(t, w.report.Window.From) }

// leave moves to left when the device is off the network or has restarted. That the whole network went is no update: a step that is
// not under way stays where it is.
func (w *watch) leave() bool {
	s := &w.rec.Status
	idle := !s.State.underWay()
	if idle && w.outage() {
		return false
	}
	at, quick := w.restarted()
	if !quick {
		var gone bool
		if at, gone = w.gone(); !gone {
			return false
		}
	}
	if idle && quick && w.together(at) {
		return false
	}
	if s.State != StepWaiting && at <= max(w.rec.Away, s.BackAt) && (quick || at <= w.rec.Away) { // the same absence that is already written down
		return false
	}
	from := at
	if quick {
		from = min(at, w.rec.Seen) // when it last sent before
	}
	first := s.State == StepWaiting
	w.absent(at, from)
	var notes []string
	if first {
		for _, dep := range w.step.After {
			for j := range w.f.state.Steps {
				if o := &w.f.state.Steps[j].Status; o.Step == dep.Step && o.State != StepVerified {
					notes = append(notes, fmt.Sprintf("ahead of the order: step %s is %s (%s)", o.Step, o.State, dep.Why))
				}
			}
		}
	}
	if v := w.cond.EngineRPM; v != nil && *v > 0 && !slices.Contains(w.step.Reachable, EngineOn) {
		notes = append(notes, fmt.Sprintf("an engine ran at %.0f/min", *v))
	}
	if v := w.cond.SpeedMS; v != nil && *v >= movingMS {
		notes = append(notes, "the boat moved at "+Knots(*v)+": do not update under way")
	}
	if w.device != nil {
		w.rec.count(w.device)
	}
	w.to(StepLeft, from, strings.Join(notes, "; "))
	return true
}

// underWay reports whether a device in this state is being updated.
func (s StepState) underWay() bool { return s == StepLeft || s == StepBack || s == StepIdentified }

// mostKept is how many attempts at a step, and absences in an attempt, are kept.
const mostKept = 20

// absent begins an absence, and with it an attempt unless one is under way; the attempt before is kept as it ended. A device that has the
// new release and waits for its settings can restart as they are entered: that is no attempt of its own. A battery voltage that fell
// while the release was written stays what it was: being switched off and on afterwards proves nothing.
func (w *watch) absent(at, from event.Time) {
	s := &w.rec.Status
	if !s.State.underWay() && s.State != StepReentry {
		if s.Attempt > 0 && len(s.Attempts) < mostKept {
			s.Attempts = append(s.Attempts, Attempt{s.Attempt, s.Absences, s.Version, s.LowestVolts, s.Failures})
		}
		s.Attempt++
		if !w.f.isTarget(w.i, w.rec.Shown) {
			s.LowestVolts = nil
		}
		s.Absences, s.LeftAt = nil, from
	}
	s.Failures = nil
	w.rec.Away, w.rec.Shown = at, ""
	if from != 0 && len(s.Absences) < mostKept {
		s.Absences = append(s.Absences, Absence{From: from})
	}
}

// backAt is when the device came back, as exactly as the report has it.
func (w *watch) backAt() event.Time {
	left := w.since(w.rec.Away)
	switch live := w.device.Live; {
	case live != nil && live.ClaimedAt != 0 && live.ClaimedAt >= left:
		return live.ClaimedAt
	case w.device.FirstSeen != 0 && w.device.FirstSeen >= left:
		return w.device.FirstSeen
	}
	return w.now
}

// away waits for the device and watches the supply.
func (w *watch) away() {
	s := &w.rec.Status
	if v := w.cond.SupplyVolts; v != nil && (s.LowestVolts == nil || *v < *s.LowestVolts) {
		low := *v
		was := s.LowestVolts
		s.LowestVolts = &low
		if low < w.step.SupplyVolts && (was == nil || *was >= w.step.SupplyVolts) {
			w.tell(fmt.Sprintf("battery voltage is %.1f V while it is away (limit %.1f V)", low, w.step.SupplyVolts))
		}
	}
	if w.present() && (w.device.LastSeen == 0 || w.device.LastSeen >= w.rec.Away) {
		w.to(StepBack, w.backAt(), "")
		return
	}
	if w.now.Sub(w.since(w.rec.Away)) > time.Duration(w.step.BackWithin)*time.Minute {
		w.fail(Failure{Reason: ReasonNotBack, Text: fmt.Sprintf("did not come back within %d minutes: check its screen, its power and its connector", w.step.BackWithin)})
	}
}

func (w *watch) identified(note string) {
	s := &w.rec.Status
	s.Version = trim(w.device.Version())
	if v, err := w.f.schemes[w.i].Parse(s.Version); err == nil {
		s.Version = v.Text
	}
	w.cameBack()
	w.to(StepIdentified, w.now, note)
}

// cameBack writes down when the device came back, where no report showed it.
func (w *watch) cameBack() {
	s := &w.rec.Status
	if s.BackAt == 0 && s.LeftAt != 0 && w.device != nil {
		s.BackAt = w.backAt()
		if n := len(s.Absences); n > 0 {
			s.Absences[n-1].To = s.BackAt
		}
	}
}
