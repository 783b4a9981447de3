package release

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/pgn"
)

// Messages that a device sends to manage the network or when asked, whose absence says nothing (reference: the standard's network
// management group).
var onRequest = map[uint32]bool{59392: true, 59904: true, 60160: true, 60416: true, 60928: true, 65240: true, 126208: true,
	126464: true, 126996: true, 126998: true}

const (
	productPGN      = 126996
	installationPGN = 126998
)

// watch is one look at one step.
type watch struct {
	f       *Follower
	i       int
	step    *Step
	rec     *record
	now     event.Time
	report  *boat.Report
	cond    Conditions
	changes []StepChange

	device *boat.Device // nil when it is not in the report
}

func (r *record) note(s string) {
	if !slices.Contains(r.Status.Notes, s) && len(r.Status.Notes) < 20 {
		r.Status.Notes = append(r.Status.Notes, s)
	}
}

func transmitKey(t *boat.Transmit) string {
	k := fmt.Sprint(t.PGN)
	if t.Instance != nil {
		k += fmt.Sprint("/", *t.Instance)
	}
	if t.Selector != nil {
		k += fmt.Sprint("/of ", *t.Selector)
	}
	return k
}

// baseline remembers what a device had before its update.
func (r *record) baseline(d *boat.Device) {
	if n := d.Name; n != nil {
		r.Base.Instance = &[2]uint8{n.DeviceInstance, n.SystemInstance}
	}
	if in := d.Installation; in != nil {
		r.Base.Text = [2]string{in.Description1, in.Description2}
	}
	for i := range d.Transmits {
		t := &d.Transmits[i]
		if onRequest[t.PGN] || t.Interval == nil || t.Count < 3 || t.Interval.Mean > 60_000 {
			continue
		}
		r.Base.Messages = append(r.Base.Messages, baseMessage{transmitKey(t), t.PGN, t.Title, t.Instance, t.Interval.Mean})
	}
}

func (r *record) count(d *boat.Device) {
	clear(r.Counts)
	for i := range d.Transmits {
		r.Counts[transmitKey(&d.Transmits[i])] += d.Transmits[i].Count
	}
}

// to moves the step on.
func (w *watch) to(state StepState, at event.Time, note string) {
	s := &w.rec.Status
	c := StepChange{Step: s.Step, Device: s.Device, Label: s.Label, From: s.State, To: state, At: at, Note: note}
	switch state {
	case StepLeft:
		s.LeftAt, s.BackAt, s.IdentifiedAt, s.VerifiedAt, s.FailedAt, s.Version = at, 0, 0, 0, 0, ""
	case StepBack:
		s.BackAt, s.IdentifiedAt, s.FailedAt = at, 0, 0
		w.rec.Restarts = w.device.Restarts // coming back counts as a restart, which is not one more
	case StepIdentified:
		s.IdentifiedAt, s.FailedAt = at, 0
	case StepVerified:
		s.VerifiedAt, s.FailedAt, s.Failures = at, 0, nil
	case StepFailed:
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
	w.changes = append(w.changes, StepChange{Step: s.Step, Device: s.Device, Label: s.Label, From: s.State, To: s.State, At: w.now, Note: note})
}

func (w *watch) fail(list ...Failure) {
	w.rec.Status.Failures = list
	w.to(StepFailed, w.now, "")
}

// look moves the step as far as the report carries it.
func (w *watch) look() {
	if w.step.Device.ByHand != nil {
		w.lookByHand()
		return
	}
	w.find()
	for range 8 { // a step goes through at most five states in one look
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

func (w *watch) present() bool { return w.device != nil && w.device.State == boat.Present }

// find looks for the device under its id, or under another NAME of the same unit: a change of instance changes the NAME.
func (w *watch) find() {
	s := &w.rec.Status
	d := w.report.Device(s.Device)
	if d != nil && d.State == boat.Present {
		w.device, s.Now = d, ""
		return
	}
	w.device = d
	name, err := pgn.ParseNAME(s.Device)
	for i := range w.report.Devices {
		o := &w.report.Devices[i]
		if o.ID == s.Device || o.State != boat.Present || o.Own || o.Name == nil || slices.Contains(w.f.state.Known, o.ID) {
			continue
		}
		sameUnit := err == nil && o.Name.UniqueNumber == name.UniqueNumber() && o.Name.Manufacturer.Code == uint32(name.Manufacturer())
		u := &w.step.Device
		sameSerial := u.Serial != "" && o.Product != nil && trim(o.Product.Serial) == u.Serial && trim(o.Product.Model) == u.Model &&
			u.MakerCode != nil && *u.MakerCode == o.Name.Manufacturer.Code
		if sameUnit || sameSerial {
			w.device, s.Now = o, o.ID
			return
		}
	}
}

// gone says since when the device is off the network.
func (w *watch) gone() (event.Time, bool) {
	d := w.device
	switch {
	case w.present():
		return 0, false
	case d != nil:
		return max(d.LastSeen, w.rec.Seen), true
	}
	// A report that has only just begun knows few devices; that says nothing.
	from := w.report.Window.From
	if from == 0 || w.rec.Seen == 0 || w.now.Sub(max(from, w.rec.Seen)) < absentFor {
		return 0, false
	}
	return max(from, w.rec.Seen), true
}

// restarted reports a restart so quick that the device never counted as off the network.
func (w *watch) restarted() (event.Time, bool) {
	if !w.present() || w.rec.Status.Now != "" || w.rec.Seen == 0 || w.device.Restarts <= w.rec.Restarts {
		return 0, false
	}
	w.rec.Restarts = w.device.Restarts
	if n := len(w.device.LastRestarts); n > 0 {
		return w.device.LastRestarts[n-1], true
	}
	return w.now, true
}

// once moves the step by one state at most.
func (w *watch) once() {
	s := &w.rec.Status
	switch s.State {
	case StepVerified:
		return
	case StepWaiting:
		switch {
		case w.leave():
		case w.present() && s.Now != "": // another NAME of the same unit: it must have left
			s.Attempt++
			w.to(StepLeft, w.rec.Seen, "it left and came back unseen")
		case w.present() && w.f.isTarget(w.i, w.device.Version()):
			s.LeftAt = w.rec.Seen
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
		} else if w.told() {
			w.identified("")
		} else if w.now.Sub(w.since(s.BackAt)) > identifyWithin {
			w.fail(Failure{ReasonNotIdentified, "came back but did not tell its version: ask with --ask, or read it off its own screen and confirm by hand"})
		}
	case StepFailed:
		w.failed()
	}
}

// since is the later of a time and the start of the report: while nobody looked, no time limit runs.
func (w *watch) since(t event.Time) event.Time { return max(t, w.report.Window.From) }

// leave moves to left when the device is off the network or has restarted.
func (w *watch) leave() bool {
	s := &w.rec.Status
	at, quick := w.restarted()
	if !quick {
		var gone bool
		if at, gone = w.gone(); !gone {
			return false
		}
	}
	if s.State != StepWaiting && at <= max(s.LeftAt, s.BackAt) && (quick || at <= s.LeftAt) { // the same absence that is already written down
		return false
	}
	if s.State == StepWaiting || s.State == StepFailed {
		s.Attempt++
		s.Failures, s.LowestVolts = nil, nil
	}
	var notes []string
	if s.State == StepWaiting {
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
		notes = append(notes, fmt.Sprintf("the boat moved at %.1f m/s: do not update under way", *v))
	}
	if w.device != nil {
		w.rec.count(w.device)
	}
	w.to(StepLeft, at, strings.Join(notes, "; "))
	return true
}

// away waits for the device and watches the supply.
func (w *watch) away() {
	s := &w.rec.Status
	if v := w.cond.SupplyVolts; v != nil && (s.LowestVolts == nil || *v < *s.LowestVolts) {
		low := *v
		was := s.LowestVolts
		s.LowestVolts = &low
		if low < w.step.SupplyVolts && (was == nil || *was >= w.step.SupplyVolts) {
			w.tell(fmt.Sprintf("supply is %.1f V while it is away; the limit is %.1f V", low, w.step.SupplyVolts))
		}
	}
	if w.present() && (w.device.LastSeen == 0 || w.device.LastSeen >= s.LeftAt) {
		at := w.now
		if c := w.device.ClaimedAt; c >= s.LeftAt && c != 0 {
			at = c
		}
		w.to(StepBack, at, "")
		return
	}
	if w.now.Sub(w.since(s.LeftAt)) > time.Duration(w.step.BackWithin)*time.Minute {
		w.fail(Failure{ReasonNotBack, fmt.Sprintf("did not come back within %d minutes: look at its screen, its power and its plug", w.step.BackWithin)})
	}
}

// told reports whether the device has told its version since it came back.
func (w *watch) told() bool {
	v := w.device.Version()
	if trim(v) == "" {
		return false
	}
	if h := w.device.Software; len(h) > 0 && h[len(h)-1].Since > w.rec.Status.LeftAt && h[len(h)-1].Version == v && len(h) > 1 {
		return true
	}
	return !w.f.same(w.i, v, w.step.From) || w.fresh(func(t *boat.Transmit) bool { return t.PGN == productPGN })
}

// fresh reports whether a message that keep picks was sent since the device left. A live model knows when each message came last; a
// report that was read from JSON only knows how many came.
func (w *watch) fresh(keep func(*boat.Transmit) bool) bool {
	left := w.rec.Status.LeftAt
	if left == 0 {
		left = w.rec.Base.At
	}
	for i := range w.device.Transmits {
		t := &w.device.Transmits[i]
		if !keep(t) {
			continue
		}
		switch {
		case t.Last != 0:
			if t.Last > left {
				return true
			}
		case w.rec.Status.Now != "" || w.report.Window.From > left:
			if t.Count > 0 {
				return true
			}
		case t.Count != w.rec.Counts[transmitKey(t)]:
			return true
		}
	}
	return false
}

func (w *watch) identified(note string) {
	s := &w.rec.Status
	s.Version = trim(w.device.Version())
	if v, err := w.f.schemes[w.i].Parse(s.Version); err == nil {
		s.Version = v.Text
	}
	if s.BackAt == 0 {
		s.BackAt = w.now
	}
	w.to(StepIdentified, w.now, note)
}

// verify judges a device that has told its version.
func (w *watch) verify() {
	s := &w.rec.Status
	if w.device == nil {
		return
	}
	if raw := w.device.Version(); !w.f.isTarget(w.i, raw) {
		if w.now.Sub(w.since(s.IdentifiedAt)) < settleFor {
			return
		}
		f := Failure{ReasonOtherVersion, fmt.Sprintf("came back on %s, not on %s", s.Version, w.step.To)}
		if w.f.same(w.i, raw, w.step.From) {
			f = Failure{ReasonOldVersion, fmt.Sprintf("came back on the old version %s: see that the card holds %s and repeat the update", w.step.From, fileOf(w.step))}
		}
		w.fail(f)
		return
	}
	if v, err := w.f.schemes[w.i].Parse(w.device.Version()); err == nil {
		s.Version = v.Text
	}
	failures, wait := w.losses()
	if wait {
		return
	}
	if len(failures) == 0 {
		w.to(StepVerified, w.now, "")
	} else if s.State != StepFailed || !slices.Equal(failures, s.Failures) {
		w.fail(failures...)
	}
}

func fileOf(s *Step) string {
	if s.Medium.File != "" {
		return s.Medium.File
	}
	return "the file of " + s.To
}

// losses compares the device with what it was before. wait is true while messages may still come.
func (w *watch) losses() (out []Failure, wait bool) {
	s, base, d := &w.rec.Status, &w.rec.Base, w.device
	if n := d.Name; n != nil && base.Instance != nil && *base.Instance != [2]uint8{n.DeviceInstance, n.SystemInstance} {
		out = append(out, Failure{ReasonInstance, fmt.Sprintf("came back with device instance %d and system instance %d, it had %d and %d: set them again",
			n.DeviceInstance, n.SystemInstance, base.Instance[0], base.Instance[1])})
	}
	for i, was := range base.Text {
		if was == "" || !w.fresh(func(t *boat.Transmit) bool { return t.PGN == installationPGN }) {
			continue // not told again: nothing is known
		}
		var is string
		if in := d.Installation; in != nil {
			is = [2]string{in.Description1, in.Description2}[i]
		}
		if is != was {
			out = append(out, Failure{ReasonText, fmt.Sprintf("installation text %d was %q and is now %q: enter it again", i+1, was, is)})
		}
	}
	for _, m := range base.Messages {
		if w.fresh(func(t *boat.Transmit) bool { return transmitKey(t) == m.Key }) {
			continue
		}
		limit := max(messagesWithin, time.Duration(3*m.MeanMS)*time.Millisecond)
		if w.now.Sub(w.since(s.BackAt)) < limit {
			return nil, true
		}
		out = append(out, w.missing(m))
	}
	if v := s.LowestVolts; v != nil && *v < w.step.SupplyVolts {
		out = append(out, Failure{ReasonSupply, fmt.Sprintf("supply fell to %.1f V while it was away, below %.1f V: the new version shows, but check the device by the maker's instructions and confirm by hand",
			*v, w.step.SupplyVolts)})
	}
	return out, false
}

// missing tells a message that stopped from one that moved to another data instance.
func (w *watch) missing(m baseMessage) Failure {
	name := fmt.Sprintf("message %d", m.PGN)
	if m.Title != "" {
		name += " (" + m.Title + ")"
	}
	for i := range w.device.Transmits {
		t := &w.device.Transmits[i]
		if t.PGN != m.PGN || t.Instance == nil || m.Instance == nil || slices.ContainsFunc(w.rec.Base.Messages, func(b baseMessage) bool { return b.Key == transmitKey(t) }) {
			continue
		}
		if w.fresh(func(o *boat.Transmit) bool { return o == t }) {
			return Failure{ReasonInstance, fmt.Sprintf("%s came with instance %d, it had %d: set it again", name, *t.Instance, *m.Instance)}
		}
	}
	if m.Instance != nil {
		name += fmt.Sprintf(" instance %d", *m.Instance)
	}
	return Failure{ReasonMessage, "no longer sends " + name + ": see that the setting that turns it on was entered again"}
}

// failed goes on when the device leaves again, comes back after all, or has what it lost.
func (w *watch) failed() {
	s := &w.rec.Status
	if len(s.Failures) == 0 {
		return
	}
	switch s.Failures[0].Reason {
	case ReasonNotBack:
		if w.present() && (w.device.LastSeen == 0 || w.device.LastSeen >= s.LeftAt) {
			s.Failures = nil
			w.to(StepBack, w.now, "came back late")
		}
		return
	case ReasonNotIdentified:
		if w.present() && w.told() {
			s.Failures = nil
			w.identified("told its version late")
			return
		}
	case ReasonOldVersion, ReasonOtherVersion:
		if w.present() && w.f.isTarget(w.i, w.device.Version()) {
			s.Failures = nil
			w.identified("")
			return
		}
	}
	if w.leave() {
		return
	}
	if w.present() && w.f.isTarget(w.i, w.device.Version()) {
		w.verify()
	}
}

// lookByHand takes a version that was noted for a device that no network shows.
func (w *watch) lookByHand() {
	for i := range w.report.Manual {
		m := &w.report.Manual[i]
		if m.ID == w.step.Device.ID && m.At > w.step.Device.ByHand.At && trim(m.Software) != "" &&
			(w.rec.Status.ByHand == nil || m.At > w.rec.Status.ByHand.At) {
			w.byHand(m.Software, ByHand{By: m.By, At: m.At})
		}
	}
}

// byHand judges a version that somebody read off a screen.
func (w *watch) byHand(version string, who ByHand) {
	s := &w.rec.Status
	s.ByHand = &who
	s.Version = trim(version)
	at := who.At
	if at == 0 {
		at = w.now
	}
	note := "read off its screen"
	if who.By != "" {
		note += " by " + who.By
	}
	w.to(StepIdentified, at, note)
	switch {
	case w.said(version, w.step.To):
		w.to(StepVerified, at, "")
	case w.said(version, w.step.From):
		w.fail(Failure{ReasonOldVersion, fmt.Sprintf("still runs %s", s.Version)})
	default:
		w.fail(Failure{ReasonOtherVersion, fmt.Sprintf("runs %s, not %s", s.Version, w.step.To)})
	}
}

// said compares a version in a person's words: as on the wire, or only the version itself.
func (w *watch) said(version, listed string) bool {
	if w.f.same(w.i, version, listed) {
		return true
	}
	a, err := w.f.schemes[w.i].ParseListed(version)
	if err != nil {
		return false
	}
	b, err := w.f.schemes[w.i].ParseListed(listed)
	if err != nil {
		return false
	}
	c, err := Compare(a, b)
	return err == nil && c == 0
}
