package release

import (
	"fmt"
	"slices"
	"time"

	"muster/internal/report"
)

// verify checks a device that has reported its version.
func (w *watch) verify() {
	s := &w.rec.Status
	if w.device == nil {
		return
	}
	if raw := w.device.Version(); !w.f.isTarget(w.i, raw) {
		if w.now.Sub(w.since(s.IdentifiedAt)) < settleFor {
			return
		}
		f := Failure{Reason: ReasonOtherVersion, Text: fmt.Sprintf("came back on %s, not on %s", s.Version, w.step.To)}
		if w.f.same(w.i, raw, w.step.From) {
			f = Failure{Reason: ReasonOldVersion, Text: fmt.Sprintf("came back on the old version %s: see that the card holds %s and repeat the update", w.step.From, fileOf(w.step))}
		}
		w.fail(f)
		return
	}
	if v, err := w.f.schemes[w.i].Parse(w.device.Version()); err == nil {
		s.Version = v.Text
	}
	lost, wait := w.losses()
	if wait {
		return
	}
	w.tick(lost)
	state, failures := StepReentry, lost
	if fell := w.supplyFell(); fell != "" {
		state, failures = StepFailed, append(lost, supplyFailure(fell))
	}
	if len(failures) == 0 {
		w.to(StepVerified, w.now, "")
	} else if s.State != state || !slices.Equal(failures, s.Failures) {
		w.stop(state, failures)
	}
}

// tick takes down which settings are lost, and ticks those that the network shows again.
func (w *watch) tick(lost []Failure) {
	s := &w.rec.Status
	missing := func(was string) bool { return slices.ContainsFunc(lost, func(f Failure) bool { return f.Was == was }) }
	for i := range s.Settings {
		x := &s.Settings[i]
		switch gone := missing(x.Was); {
		case gone:
			x.SeenAgain = 0
		case x.SeenAgain == 0:
			x.SeenAgain = w.now
			w.tell("entered again: " + x.Was)
		}
	}
	for _, f := range lost {
		if f.Was != "" && len(s.Settings) < mostKept && !slices.ContainsFunc(s.Settings, func(x Setting) bool { return x.Was == f.Was }) {
			s.Settings = append(s.Settings, Setting{Was: f.Was})
		}
	}
}

// supplyFell is how far the battery voltage fell while the device was away; "" when it held, or when a person settled
// it.
func (w *watch) supplyFell() string {
	v := w.rec.Status.LowestVolts
	if v == nil || *v >= w.step.SupplyVolts {
		return ""
	}
	what := fmt.Sprintf("battery voltage fell to %.1f V while it was away, below %.1f V", *v, w.step.SupplyVolts)
	if w.settled(what) {
		return ""
	}
	return what
}

func supplyFailure(fell string) Failure {
	return Failure{Reason: ReasonSupply, Text: fell + ": the new version is running; check the device by the manufacturer's instructions and confirm by hand, with a reason"}
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
			n.DeviceInstance, n.SystemInstance, base.Instance[0], base.Instance[1]),
			fmt.Sprintf("device instance %d and system instance %d", base.Instance[0], base.Instance[1])})
	}
	for i, was := range base.Text {
		if was == "" || !w.fresh(func(t *report.Transmit) bool { return t.PGN == installationPGN }) {
			continue // not reported again: nothing is known
		}
		var is string
		if in := d.Installation; in != nil {
			is = [2]string{in.Description1, in.Description2}[i]
		}
		if is != was {
			out = append(out, Failure{ReasonText, fmt.Sprintf("installation text %d was %q and is now %q: enter it again", i+1, was, is),
				fmt.Sprintf("installation text %d %q", i+1, was)})
		}
	}
	for _, m := range base.Messages {
		if w.fresh(func(t *report.Transmit) bool { return transmitKey(t) == m.Key }) {
			continue
		}
		limit := max(messagesWithin, time.Duration(3*m.MeanMS)*time.Millisecond)
		if w.now.Sub(w.since(s.BackAt)) < limit {
			return nil, true
		}
		out = append(out, w.missing(m))
	}
	return out, false
}

// missing separates a message that stopped from one that moved to another data instance.
func (w *watch) missing(m baseMessage) Failure {
	name := fmt.Sprintf("message %d", m.PGN)
	if m.Title != "" {
		name += " (" + m.Title + ")"
	}
	for i := range w.device.Transmits {
		t := &w.device.Transmits[i]
		if t.PGN != m.PGN || t.Instance == nil || m.Instance == nil ||
			slices.ContainsFunc(w.rec.Base.Messages, func(b baseMessage) bool { return b.Key == transmitKey(t) }) {
			continue
		}
		if w.fresh(func(o *report.Transmit) bool { return o == t }) {
			return Failure{ReasonInstance, fmt.Sprintf("%s came with instance %d, it had %d: set it again", name, *t.Instance, *m.Instance),
				fmt.Sprintf("instance %d of %s", *m.Instance, name)}
		}
	}
	if m.Instance != nil {
		name += fmt.Sprintf(" instance %d", *m.Instance)
	}
	return Failure{ReasonMessage, "no longer sends " + name + ": see that the setting that turns it on was entered again", name}
}

// failed goes on when the device leaves again, comes back after all, or has what it lost.
func (w *watch) failed() {
	s := &w.rec.Status
	if len(s.Failures) == 0 {
		return
	}
	switch s.Failures[0].Reason {
	case ReasonNotBack:
		if w.present() && (w.device.LastSeen == 0 || w.device.LastSeen >= w.rec.Away) {
			s.Failures = nil
			w.to(StepBack, w.now, "came back late")
		}
		return
	case ReasonNotIdentified:
		if w.present() && w.reported() {
			s.Failures = nil
			w.identified("reported its version late")
			return
		}
	case ReasonDisputed:
		if w.leave() {
			return
		}
		fallthrough
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
			w.byHand(m.Software, ByHand{By: m.By, At: m.At}, "")
		}
	}
}

// byHand checks a version that a person read off a screen. Where the network shows another one, the two stay disputed
// unless that person gives a reason.
func (w *watch) byHand(version string, who ByHand, reason string) {
	s := &w.rec.Status
	if who.At == 0 {
		who.At = w.now
	}
	s.ByHand = &who
	note := fmt.Sprintf("%s read off its screen", trim(version))
	if who.By != "" {
		note += " by " + who.By
	}
	shown := w.shown()
	if shown != "" && !w.said(shown, version) && !w.said(version, shown) {
		if reason == "" {
			w.rec.note(note)
			w.disputed(trim(version), shown)
			return
		}
		w.settle(who, reason, difference(trim(version), shown))
	} else if fell := w.supplyFell(); fell != "" && reason != "" {
		w.settle(who, reason, fell)
	}
	lost := s.lost()
	s.Version = trim(version)
	w.to(StepIdentified, who.At, note)
	switch fell := w.supplyFell(); {
	case w.said(version, w.step.To) && fell != "":
		w.fail(append(lost, supplyFailure(fell))...)
	case w.said(version, w.step.To) && len(lost) > 0:
		w.stop(StepReentry, lost)
	case w.said(version, w.step.To):
		w.to(StepVerified, who.At, "")
	case w.said(version, w.step.From):
		w.fail(Failure{Reason: ReasonOldVersion, Text: fmt.Sprintf("still runs %s", s.Version)})
	default:
		w.fail(Failure{Reason: ReasonOtherVersion, Text: fmt.Sprintf("runs %s, not %s", s.Version, w.step.To)})
	}
}

// shown is the version that the network shows, as people write it; "" when it shows none.
func (w *watch) shown() string {
	if v, err := w.f.schemes[w.i].Parse(w.rec.Shown); err == nil {
		return v.Text
	}
	return trim(w.rec.Shown)
}

func (w *watch) settle(who ByHand, reason, what string) {
	s := &w.rec.Status
	if len(s.Settled) < mostKept {
		s.Settled = append(s.Settled, Settled{who.By, who.At, reason, what})
	}
	w.rec.note(fmt.Sprintf("settled by %s: %s: %s", who.By, what, reason))
}

func (w *watch) settled(what string) bool {
	return slices.ContainsFunc(w.rec.Status.Settled, func(x Settled) bool { return x.What == what })
}

// difference is what is settled of a device whose screen and network show different versions.
func difference(read, shown string) string {
	return fmt.Sprintf("its screen shows %s, the network %s", read, shown)
}

// disputed stops a step of which a person and the network give different versions.
func (w *watch) disputed(read, shown string) {
	w.stop(StepDisputed, append([]Failure{{Reason: ReasonDisputed,
		Text: fmt.Sprintf("its screen was read as %s, and the network shows %s: read it again, or confirm it with a reason", read, shown)}},
		w.rec.Status.lost()...))
}

// lost is what the network shows to be entered again still; no screen shows otherwise.
func (s *StepStatus) lost() (list []Failure) {
	for _, f := range s.Failures {
		if f.Was != "" {
			list = append(list, f)
		}
	}
	return list
}

// holdAgainst holds a version that was read by hand against what the network shows since: where that shows the new release too, the step
// is checked like any other.
func (w *watch) holdAgainst() {
	s := &w.rec.Status
	w.rec.Shown, w.rec.Restarts = w.device.Version(), w.device.Restarts
	switch shown := w.shown(); {
	case w.f.isTarget(w.i, w.rec.Shown):
		w.identified("the network shows it too")
	case !w.settled(difference(s.Version, shown)):
		w.cameBack()
		w.disputed(s.Version, shown)
	}
}

// said compares a version in a person's words: as sent, or only the version itself.
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
