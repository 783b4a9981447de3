package job

import (
	"fmt"
	"slices"
	"strings"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/input"
	"muster/internal/release"
	"muster/internal/report"
)

// Live is the boat as it is received now.
type Live struct {
	Report     *report.Report
	Conditions release.Conditions
	Plan       *release.Order // that the release sheets would make; nil when there are none
}

// Go says in one word whether the first update may begin.
type Go string

// The words. Check means that something is not known: a person sees to it, or waives it by name and with a reason.
const (
	GoYes   Go = "go"
	GoNo    Go = "no-go"
	GoCheck Go = "check"
)

// PreCheck is a pre-check of the order as of now, and who goes on in spite of it.
type PreCheck struct {
	release.PreCheck
	WaivedBy string `json:"waived_by,omitempty"`
	Why      string `json:"why,omitempty"`
}

// Advice is how a job goes on.
type Advice struct {
	Go        Go         `json:"go,omitempty"` // before the first update only
	PreChecks []PreCheck `json:"pre_checks"`
	Do        string     `json:"do"`                 // what is to be done now
	Command   string     `json:"command,omitempty"`  // that does it
	Why       string     `json:"why"`                //
	Blockers  []Lack     `json:"blockers"`           // what must be settled first
	Warnings  []string   `json:"warnings"`           // what to mind
	Missing   []Lack     `json:"missing_for_record"` // what the record still lacks
	Remedies  []Point    `json:"remedies"`           // steps of remedies that are not ticked
}

// Lack is what is still to be given, and the command that gives it; a page has a button instead.
type Lack struct {
	Text    string `json:"text"`
	Command string `json:"command,omitempty"`
}

// Point is what a person ticks: a hold point of the order, or a step of a finding's remedy.
type Point = release.HoldPoint

// HoldPoints are what must be ticked before the first update; none without an order or without a step.
func (v *Visit) HoldPoints() []Point {
	if v.Order == nil {
		return nil
	}
	return v.Order.HoldPoints()
}

// Next gives what is to be done now, why not yet, and what the record still lacks. live is nil when the boat is not
// received.
func Next(v *Visit, live *Live) Advice {
	a := Advice{PreChecks: []PreCheck{}, Blockers: []Lack{}, Warnings: []string{}, Missing: v.missing(), Remedies: []Point{}}
	for _, p := range v.Remedies() {
		if v.Ticked[p.ID] == nil && v.Ledger.Open() == nil {
			a.Remedies = append(a.Remedies, p)
		}
	}
	switch {
	case v.Ledger.Closed():
		a.Do, a.Command, a.Why, a.Missing = "Hand the folder over", "muster job pack", "the job is closed", []Lack{}
	case v.Ledger.Away() != "":
		a.Do, a.Why, a.Missing = "Go on where the job is: "+v.Ledger.Away(), "it was handed over", []Lack{}
	case v.Before == nil:
		a.Do, a.Command, a.Why = "Take the snapshot before the work", "muster job open", "the record compares the boat with it"
	case v.Order == nil && v.After == nil && live != nil && live.Plan != nil && len(live.Plan.Steps()) > 0:
		a.Do, a.Command, a.Why = "Choose what is to be updated, and make the work order", "muster job plan",
			"the release sheets have "+boat.Counted(len(live.Plan.Steps()), "update", "updates")
	case v.Order == nil || v.Follower.Done():
		a.Do, a.Command, a.Why = "Take the snapshot after the work and make the record", "muster job close", "all steps are done"
		if v.Order == nil {
			a.Why = "no update is planned"
		}
	default:
		v.nextStep(&a, live)
	}
	return a
}

// nextStep advises on the first step that is not done.
func (v *Visit) nextStep(a *Advice, live *Live) {
	status := v.Follower.Status()
	for i, s := range v.Order.Steps() {
		st := &status[i]
		if st.State == release.StepVerified {
			continue
		}
		a.Do, a.Command, a.Why = stepAdvice(s, st)
		a.Warnings = append(a.Warnings, s.Cautions...)
		break
	}
	if v.Follower.Waiting() {
		for _, p := range v.HoldPoints() {
			if v.Ticked[p.ID] == nil {
				a.Blockers = append(a.Blockers, Lack{p.ID + ": " + p.Text, "muster job tick"})
			}
		}
	}
	v.preChecks(a, live)
}

// preChecks takes the pre-checks up: all before the first update, the battery voltage before each.
func (v *Visit) preChecks(a *Advice, live *Live) {
	checks, waiting := v.Order.PreChecks, v.Follower.Waiting()
	if live != nil {
		checks = v.Order.Check(live.Report, live.Conditions)
	}
	verdict := GoYes
	for _, c := range checks {
		if !waiting && c.ID != "supply" {
			continue
		}
		p := PreCheck{PreCheck: c}
		if line := v.Waived[c.ID]; line != nil {
			p.WaivedBy, p.Why = line.By, waiverOf(line).Reason
		}
		a.PreChecks = append(a.PreChecks, p)
		text := c.ID + ": " + c.Text
		switch {
		case c.Result == release.Passed && live != nil:
		case p.WaivedBy != "":
		case c.Result == release.Failed && live != nil:
			verdict = GoNo
			a.Blockers = append(a.Blockers, Lack{Text: text})
		default:
			if verdict == GoYes {
				verdict = GoCheck
			}
			if !waiting && c.Result != release.Passed {
				a.Warnings = append(a.Warnings, text)
			}
		}
	}
	if waiting {
		a.Go = verdict
	}
}

// stepAdvice gives what to do about a step that is not done.
func stepAdvice(s *release.Step, st *release.StepStatus) (do, command, why string) {
	var told []string
	for _, f := range st.Failures {
		told = append(told, f.Text)
	}
	why = strings.Join(told, "; ")
	const settle = "muster job settle"
	switch st.State {
	case release.StepWaiting:
		do = fmt.Sprintf("Step %s: update %s from %s to %s", s.ID, s.Device.Label, s.From, s.To)
		if s.Medium.File != "" {
			do += fmt.Sprintf(" with %s on a %s", s.Medium.File, s.Medium.Kind)
		}
		why = fmt.Sprintf("it takes about %d minutes", s.Minutes)
	case release.StepLeft:
		do, why = fmt.Sprintf("Step %s: wait for %s to come back; do not switch anything off", s.ID, s.Device.Label),
			fmt.Sprintf("it may be away for %d minutes", s.BackWithin)
	case release.StepBack, release.StepIdentified:
		do, why = fmt.Sprintf("Step %s: wait until %s has shown its version and its messages", s.ID, s.Device.Label), "it is back on the network"
	case release.StepReentry:
		do = fmt.Sprintf("Step %s: enter the settings of %s again on its own screen", s.ID, s.Device.Label)
	case release.StepDisputed:
		do, command = fmt.Sprintf("Step %s: read %s again, or settle it", s.ID, s.Device.Label), settle
	case release.StepFailed:
		do, command = fmt.Sprintf("Step %s: update %s again, or settle it", s.ID, s.Device.Label), settle
	}
	return do, command, why
}

// missing is what the record lacks.
func (v *Visit) missing() []Lack {
	out := []Lack{}
	add := func(lacks bool, what, command string) {
		if lacks {
			out = append(out, Lack{what, command})
		}
	}
	add(v.Opening.Customer == "", "the customer", "muster job note")
	add(v.Order != nil && !v.Follower.Done(), "steps that are done: they stay open on the record", "")
	add(v.After == nil, "the snapshot after the work", "muster job close")
	add(len(v.Hours) == 0, "hours", "muster job hours")
	add(v.SignOff == nil, "the customer's name", "muster job close --signed-off-by")
	return out
}

// Remedies are the steps of the remedies of the findings that were open before the work: instance-clash.2 is the second step.
func (v *Visit) Remedies() (list []Point) {
	if v.Before == nil {
		return nil
	}
	steps := map[string][][]check.Step{} // the remedies of each check
	var ids []string
	for _, a := range v.Before.Report.Alerts {
		id := check.ID(a.Check)
		if a.State == alert.StatusCleared || a.Severity == check.Info {
			continue
		}
		if steps[id] == nil {
			ids = append(ids, id)
		}
		steps[id] = append(steps[id], check.StepsOr(a.Steps, a.Remedy))
	}
	for _, id := range ids {
		n := 0
		for _, remedy := range check.Distinct(steps[id]) {
			for _, s := range remedy {
				n++
				list = append(list, Point{ID: fmt.Sprintf("%s.%d", id, n), Text: s.Text})
			}
		}
	}
	return list
}

// Only is a tick with the reading or the photo that its point needs, and without the other.
func (v *Visit) Only(t Tick) Tick {
	for _, p := range v.HoldPoints() {
		if p.ID == t.Point && p.Needs == release.NeedsReading {
			return Tick{Point: t.Point, Reading: t.Reading}
		}
		if p.ID == t.Point && p.Needs == release.NeedsPhoto {
			return Tick{Point: t.Point, Photo: t.Photo}
		}
	}
	return Tick{Point: t.Point}
}

// CheckTick refuses a tick of what the job does not have to tick, and one that lacks the reading or the photo that it needs.
func (v *Visit) CheckTick(t Tick) error {
	var known []string
	for _, p := range append(slices.Clone(v.HoldPoints()), v.Remedies()...) {
		if p.ID != t.Point {
			known = append(known, p.ID)
			continue
		}
		photo := func(f FileLine) bool { return f.File == t.Photo && f.What == Photo }
		switch {
		case t.Photo != "" && !slices.ContainsFunc(v.Files, photo):
			return fmt.Errorf("photo %s: the job has no such photo: muster job attach puts one in", input.Quote(t.Photo))
		case p.Needs == release.NeedsPhoto && t.Photo == "":
			return fmt.Errorf("hold point %s needs a photo: muster job attach puts it in, and --photo names it", p.ID)
		case p.Needs == release.NeedsReading && strings.TrimSpace(t.Reading) == "":
			return fmt.Errorf("hold point %s needs a reading: add --reading WORDS", p.ID)
		}
		return nil
	}
	if len(known) == 0 {
		return fmt.Errorf("hold point %s: the job has no step, and so no hold points", input.Quote(t.Point))
	}
	return fmt.Errorf("hold point %s: there is none of this name: write %s", input.Quote(t.Point), strings.Join(known, ", "))
}

// CheckStep refuses a step that the order does not have.
func (v *Visit) CheckStep(id string) error {
	if v.Order == nil {
		return fmt.Errorf("step %s: the job has no work order", input.Quote(id))
	}
	var known []string
	for _, s := range v.Order.Steps() {
		if s.ID == id {
			return nil
		}
		known = append(known, s.ID)
	}
	return fmt.Errorf("step %s: the order has no such step: write one of %s", input.Quote(id), strings.Join(known, ", "))
}

// CheckPreCheck refuses a pre-check that there is not.
func (v *Visit) CheckPreCheck(id string) error {
	if v.Order == nil {
		return fmt.Errorf("pre-check %s: the job has no work order", input.Quote(id))
	}
	var known []string
	for _, c := range v.Order.PreChecks {
		if c.ID == id {
			return nil
		}
		known = append(known, c.ID)
	}
	return fmt.Errorf("pre-check %s: there is none of this name: write one of %s", input.Quote(id), strings.Join(known, ", "))
}

// Has reports whether the job has a file of this name.
func (v *Visit) Has(name string) bool {
	return slices.ContainsFunc(v.Files, func(f FileLine) bool { return f.File == name })
}
