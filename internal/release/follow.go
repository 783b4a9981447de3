package release

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/input"
	"muster/internal/report"
)

// FollowSchemaID names the version of a saved Follower.
const FollowSchemaID = "muster.follow/v1"

// StepState is how far a step is.
type StepState string

// The states of a step, in the order in which a good update goes through them.
const (
	StepWaiting    StepState = "waiting"          // not begun
	StepLeft       StepState = "left"             // off the network
	StepBack       StepState = "back"             // on the network again, its version not yet reported
	StepIdentified StepState = "identified"       // reported its version
	StepReentry    StepState = "awaiting-reentry" // runs the new release; Failures are the settings that are to be entered again
	StepVerified   StepState = "verified"         // runs the new release and has kept what it had
	StepFailed     StepState = "failed"           // see Failures; goes on when the device leaves again or is repaired
	StepDisputed   StepState = "disputed"         // a person read another version off its screen than the network shows
)

// Reason is why a step failed.
type Reason string

// The reasons.
const (
	ReasonOldVersion    Reason = "old-version"       // came back on the version it had
	ReasonOtherVersion  Reason = "other-version"     // came back on a version that is neither
	ReasonNotBack       Reason = "not-back"          // did not come back in time
	ReasonNotIdentified Reason = "not-identified"    // came back and did not report its version in time
	ReasonInstance      Reason = "instance-changed"  // came back with another instance
	ReasonText          Reason = "installation-lost" // lost its installation text
	ReasonMessage       Reason = "message-missing"   // stopped sending a message that it sent before
	ReasonSupply        Reason = "low-voltage"       // supply fell below the limit while it was away; only a person's word settles it
	ReasonDisputed      Reason = "disputed"          // its screen and the network show different versions
)

// Failure is one thing that went wrong with a step.
type Failure struct {
	Reason Reason `json:"reason"`
	Text   string `json:"text"`
	Was    string `json:"was,omitempty"` // the setting as it was, of one that is to be entered again
}

// Absence is one time that a device was off the network: when it was last and first received.
type Absence struct {
	From event.Time `json:"from"`
	To   event.Time `json:"to,omitzero"` // zero while it is away
}

// Attempt is one attempt at a step that is over. It stays as it ended.
type Attempt struct {
	Number      int       `json:"number"`
	Absences    []Absence `json:"absences,omitempty"`
	Version     string    `json:"version,omitempty"` // as reported after it came back
	LowestVolts *float64  `json:"lowest_supply_volts,omitempty"`
	Failures    []Failure `json:"failures,omitempty"`
}

// Reading is a version that a person read off a device's own screen.
type Reading struct {
	Version, By string
	Reason      string // settles, on that person's word, what the network does not show: a difference, a battery voltage that fell
}

// Settled is a person's word on what the network cannot show to be right.
type Settled struct {
	By     string     `json:"by"`
	At     event.Time `json:"at,omitzero"`
	Reason string     `json:"reason"`
	What   string     `json:"what"`
}

// How long the parts of a step may take (common practice, no source).
const (
	identifyWithin = 2 * time.Minute  // from back to a version
	settleFor      = 30 * time.Second // an old version may be a stop on the way: some devices restart twice
	messagesWithin = time.Minute      // from back to all messages that it sent before
	absentFor      = time.Minute      // of traffic without a device before it counts as off the network
)

// StepStatus is the state of one step.
type StepStatus struct {
	Step         string     `json:"step"`
	Device       string     `json:"device"`        // id as in the order
	Label        string     `json:"label"`         //
	Now          string     `json:"now,omitempty"` // id that it came back under, when it is another one
	State        StepState  `json:"state"`
	Attempt      int        `json:"attempt,omitempty"` // times that it left the network
	From         string     `json:"from"`
	To           string     `json:"to"`
	Version      string     `json:"version,omitempty"` // as reported after it came back
	LeftAt       event.Time `json:"left_at,omitzero"`
	BackAt       event.Time `json:"back_at,omitzero"`
	IdentifiedAt event.Time `json:"identified_at,omitzero"`
	VerifiedAt   event.Time `json:"verified_at,omitzero"`
	FailedAt     event.Time `json:"failed_at,omitzero"`
	LowestVolts  *float64   `json:"lowest_supply_volts,omitempty"` // while it was away
	Failures     []Failure  `json:"failures,omitempty"`
	Notes        []string   `json:"notes,omitempty"`
	ByHand       *ByHand    `json:"by_hand,omitempty"`  // who read the version off its screen
	Absences     []Absence  `json:"absences,omitempty"` // of this attempt, at most 20; LeftAt begins the first, BackAt ends the latest
	Attempts     []Attempt  `json:"attempts,omitempty"` // those before this one, at most 20
	Settled      []Settled  `json:"settled,omitempty"`
	Settings     []Setting  `json:"settings,omitempty"` // that the device lost, as far as the network showed it
}

// Setting is one setting that a device lost.
type Setting struct {
	Was       string     `json:"was"`                 // as it was before the work
	SeenAgain event.Time `json:"seen_again,omitzero"` // when the network showed it so again; zero while it does not
}

// ReadByHand reports whether the step is done by what a person read, and not by what the network shows.
func (s *StepStatus) ReadByHand() bool {
	return s.State == StepVerified && s.ByHand != nil && s.IdentifiedAt == s.ByHand.At
}

// StepChange is what Observe reports: a step that went on, or a note about it.
type StepChange struct {
	Step     string     `json:"step"`
	Device   string     `json:"device"` // id as in the order
	Label    string     `json:"label"`
	From     StepState  `json:"from"`
	To       StepState  `json:"to"` // same as From when there is only a note
	At       event.Time `json:"at,omitzero"`
	Failures []Failure  `json:"failures,omitempty"`
	Note     string     `json:"note,omitempty"`
}

// Follower watches the steps of one order being done. It is a pure state machine: it moves only by Observe and Confirm. One goroutine uses it.
type Follower struct {
	order   *Order
	steps   []*Step
	schemes []*Scheme
	state   followState
	seen    event.Time // of the latest report in this life of the Follower
}

type followState struct {
	Schema string      `json:"schema"`
	Order  string      `json:"order"` // digest
	Last   event.Time  `json:"last,omitzero"`
	Window boat.Window `json:"window,omitzero"` // of the latest report
	Known  []string    `json:"known"`           // ids of the devices aboard at the start
	Steps  []record    `json:"steps"`
}

// record is what is remembered of one step.
type record struct {
	Status   StepStatus        `json:"status"`
	Seen     event.Time        `json:"seen,omitzero"`   // last time on the network
	Away     event.Time        `json:"away,omitzero"`   // since when it was off the network the last time
	Shown    string            `json:"shown,omitempty"` // version that the network shows, as far as it was reported since then
	Outage   event.Time        `json:"outage,omitzero"` // when the whole network was last seen down
	Restarts int               `json:"restarts"`
	Counts   map[string]uint64 `json:"counts"` // messages sent before it left, by key
	Base     baseline          `json:"base"`
}

// baseline is what a device must have kept.
type baseline struct {
	At       event.Time    `json:"at,omitzero"`
	Instance *[2]uint8     `json:"instance,omitempty"` // device and system instance
	Text     [2]string     `json:"text"`               // installation descriptions
	Messages []baseMessage `json:"messages"`
}

type baseMessage struct {
	Key      string  `json:"key"`
	PGN      uint32  `json:"pgn"`
	Title    string  `json:"title,omitempty"`
	Instance *uint8  `json:"instance,omitempty"`
	MeanMS   float64 `json:"mean_ms"`
}

// NewFollower begins to follow an order. before is the boat as it was before the work: what each device must have
// kept.
func NewFollower(o *Order, before *report.Report) (*Follower, error) {
	if err := o.CheckBoat(before); err != nil {
		return nil, err
	}
	f, err := prepare(o)
	if err != nil {
		return nil, err
	}
	f.state = followState{Schema: FollowSchemaID, Order: o.Digest(), Window: before.Window, Known: []string{}}
	for i := range before.Units {
		f.state.Known = append(f.state.Known, before.Units[i].IDs()...)
	}
	for i, s := range f.steps {
		rec := record{Status: StepStatus{Step: s.ID, Device: s.Device.ID, Label: s.Device.Label, State: StepWaiting, From: s.From, To: s.To},
			Counts: map[string]uint64{}, Base: baseline{At: before.TakenAt, Messages: []baseMessage{}}}
		if d := before.Device(s.Device.ID); d != nil {
			rec.baseline(d)
			rec.Shown = d.Version()
			if f.isTarget(i, d.Version()) {
				rec.Status.State, rec.Status.VerifiedAt, rec.Status.Version = StepVerified, before.TakenAt, s.To
				rec.note("ran the release before the work began")
			}
		}
		f.state.Steps = append(f.state.Steps, rec)
	}
	return f, nil
}

func prepare(o *Order) (*Follower, error) {
	f := &Follower{order: o, steps: o.Steps()}
	for _, s := range f.steps {
		scheme, err := s.Numbering.Compile()
		if err != nil {
			return nil, fmt.Errorf("follow: step %s: %w", s.ID, err)
		}
		f.schemes = append(f.schemes, scheme)
	}
	return f, nil
}

// Save writes the state, so that Restore can go on after a restart of the program.
func (f *Follower) Save() ([]byte, error) {
	b, err := json.Marshal(f.state)
	if err != nil {
		return nil, fmt.Errorf("save the following of an order: %w", err)
	}
	return b, nil
}

// Restore goes on where Save left off. The order must be the same one.
func Restore(ctx context.Context, o *Order, saved []byte) (*Follower, error) {
	f, err := prepare(o)
	if err != nil {
		return nil, err
	}
	if err := input.JSON(ctx, "", saved, &f.state); err != nil {
		return nil, fmt.Errorf("restore the following of an order: %w; start again", err)
	}
	if f.state.Schema != FollowSchemaID {
		return nil, fmt.Errorf("restore the following of an order: schema is %s, not %q; start again", input.Quote(f.state.Schema), FollowSchemaID)
	}
	if f.state.Order != o.Digest() || len(f.state.Steps) != len(f.steps) {
		return nil, fmt.Errorf("restore the following of an order: it was saved for another order; start again")
	}
	for i := range f.state.Steps {
		rec := &f.state.Steps[i]
		if rec.Status.Step != f.steps[i].ID {
			return nil, fmt.Errorf("restore the following of an order: step %q instead of %q; start again", rec.Status.Step, f.steps[i].ID)
		}
		for j := range rec.Status.Failures { // an earlier version called low-voltage as it called the check
			reason := &rec.Status.Failures[j].Reason
			*reason = Reason(check.ID(string(*reason)))
		}
		if rec.Counts == nil {
			rec.Counts = map[string]uint64{}
		}
		if rec.Away == 0 { // saved by an earlier version
			rec.Away = rec.Status.LeftAt
		}
	}
	return f, nil
}

// Order is the order that is followed. The caller does not change it.
func (f *Follower) Order() *Order { return f.order }

// Status lists the state of every step, in the order's order. It shares nothing that changes later.
func (f *Follower) Status() []StepStatus {
	out := make([]StepStatus, 0, len(f.state.Steps))
	for i := range f.state.Steps {
		s := f.state.Steps[i].Status
		s.Failures, s.Notes = slices.Clone(s.Failures), slices.Clone(s.Notes)
		s.Absences, s.Attempts, s.Settled = slices.Clone(s.Absences), slices.Clone(s.Attempts), slices.Clone(s.Settled)
		s.Settings = slices.Clone(s.Settings)
		out = append(out, s)
	}
	return out
}

// Done reports whether every step is verified.
func (f *Follower) Done() bool {
	return !slices.ContainsFunc(f.state.Steps, func(r record) bool { return r.Status.State != StepVerified })
}

// Waiting reports whether no step has been begun.
func (f *Follower) Waiting() bool {
	return !slices.ContainsFunc(f.state.Steps, func(r record) bool { return r.Status.State != StepWaiting || r.Status.Attempt > 0 })
}

// Observe takes the boat as of now and returns what changed, in the order in which it did. When the clock was set,
// what is remembered moves along, so that the spans stay. A capture that is read again from its beginning gives
// nothing new until it is past what was seen.
func (f *Follower) Observe(now event.Time, r *report.Report, c Conditions) []StepChange {
	f.keepTime(now, r)
	if now < f.state.Last {
		return nil
	}
	f.state.Last = now
	var out []StepChange
	for i := range f.steps {
		w := &watch{f: f, i: i, step: f.steps[i], rec: &f.state.Steps[i], now: now, report: r, cond: c}
		w.follow()
		out = append(out, w.changes...)
	}
	return out
}

// clockBack is the smallest step back by which a clock counts as set, as in the model; less is stamps out of order.
const clockBack = time.Second

// keepTime moves what is remembered when the clock that stamps the reports was set: by as much as the report gives,
// or, when it went back by an unknown span, so that no time passed since the last report.
func (f *Follower) keepTime(now event.Time, r *report.Report) {
	by, from := r.Window.MovedSince(f.state.Window), f.state.Window.From
	f.state.Window = r.Window
	last := f.seen
	if last == 0 && r.Clock != boat.ClockCapture {
		last = f.state.Last // in the life before
	}
	f.seen = now
	if by == 0 && last.Sub(now) >= clockBack {
		by, from = now.Sub(last), 0
	}
	if by != 0 {
		f.shift(from, by)
	}
}

// shift moves every time from then on; an unset one stays so.
func (f *Follower) shift(from event.Time, by time.Duration) {
	move := func(times ...*event.Time) {
		for _, t := range times {
			if *t != 0 && *t >= from {
				*t = t.Add(by)
			}
		}
	}
	move(&f.state.Last)
	for i := range f.state.Steps {
		rec := &f.state.Steps[i]
		s := &rec.Status
		move(&s.LeftAt, &s.BackAt, &s.IdentifiedAt, &s.VerifiedAt, &s.FailedAt, &rec.Seen, &rec.Away, &rec.Outage, &rec.Base.At)
		for j := range s.Settings {
			move(&s.Settings[j].SeenAgain)
		}
		for j := range s.Absences {
			move(&s.Absences[j].From, &s.Absences[j].To)
		}
	}
}

// Confirm takes a version that a person read off the device's own screen, for devices that no network shows and for
// those that do not report it. It never overrules the network: where that shows another version the step is disputed,
// until they agree or the reading comes with a name and a reason. It fails for an unknown step.
func (f *Follower) Confirm(now event.Time, step string, r Reading) ([]StepChange, error) {
	i := slices.IndexFunc(f.steps, func(s *Step) bool { return s.ID == step })
	if i < 0 {
		return nil, fmt.Errorf("confirm step %q: the order has no such step; its steps are %s to %s", step, f.first(), f.last())
	}
	if trim(r.Version) == "" {
		return nil, fmt.Errorf("confirm step %q: no version given; give the one on the device's screen", step)
	}
	if r.Reason != "" && r.By == "" {
		return nil, fmt.Errorf("confirm step %q: a reason needs the name of the person who gives it", step)
	}
	w := &watch{f: f, i: i, step: f.steps[i], rec: &f.state.Steps[i], now: now}
	w.byHand(r.Version, ByHand{By: r.By, At: now}, r.Reason)
	return w.changes, nil
}

func (f *Follower) first() string {
	if len(f.steps) == 0 {
		return "none"
	}
	return f.steps[0].ID
}

func (f *Follower) last() string {
	if len(f.steps) == 0 {
		return "none"
	}
	return f.steps[len(f.steps)-1].ID
}

// isTarget reports whether a version as reported is the release that the step is to bring.
func (f *Follower) isTarget(i int, raw string) bool { return f.same(i, raw, f.steps[i].To) }

// same compares what a device reported, or what was cut out of it, with a version as a sheet writes it.
func (f *Follower) same(i int, raw, listed string) bool {
	want, err := f.schemes[i].ParseListed(listed)
	if err != nil {
		return false
	}
	got, err := f.schemes[i].Parse(raw)
	if err != nil {
		return false
	}
	c, err := Compare(got, want)
	return err == nil && c == 0
}
