package render

import (
	"fmt"
	"io"
	"strings"
	"time"

	"muster/internal/boat"
	"muster/internal/release"
)

// OrderText writes a work order for a terminal or a printer, at most about 100 columns wide.
func OrderText(w io.Writer, o *release.Order) error {
	var b strings.Builder
	line := func(format string, args ...any) {
		for i, a := range args {
			if s, ok := a.(string); ok {
				args[i] = boat.Printable(s)
			}
		}
		b.WriteString(strings.TrimRight(fmt.Sprintf(format, args...), " ") + "\n")
	}
	list := func(title string, items []string) {
		if len(items) == 0 {
			return
		}
		line("\n%s", title)
		for _, s := range items {
			line("  - %s", s)
		}
	}
	line("WORK ORDER  %s", boatName(o.Boat))
	line("Snapshot %s%s", o.Snapshot.Digest, stamp(" taken ", o.Snapshot.TakenAt.IsZero(), o.Snapshot.TakenAt.String()))
	line("%s in %s: %d min in parallel, %d min one after another", updates(o), inGroups(o), o.Minutes, o.MinutesAlone)
	list("CAUTIONS (common practice; the manufacturer's instructions and local codes take precedence)", o.Cautions)
	line("\nBEFORE STARTING (%s)", checkedWhen(o))
	for _, c := range o.PreChecks {
		line("  [%s] %-18s %s", box(c.Result), c.ID, c.Text)
	}
	if len(o.Bring) > 0 {
		line("\nBRING")
		for _, g := range o.Bring {
			line("  [ ] %s", bringWords(g))
			for _, f := range o.Downloads(g) {
				line("      %s", download(f))
			}
		}
	}
	if points := o.HoldPoints(); len(points) > 0 {
		line("\nHOLD POINTS before the first update")
		for _, p := range points {
			line("  [ ] %-15s %s", p.ID, holdWords(p))
		}
	}
	for _, g := range o.Groups {
		line("\nGROUP %d  %d min", g.Number, g.Minutes)
		line("  HOLD POINT [ ] %s", g.HoldPoint)
		for i := range g.Steps {
			s := &g.Steps[i]
			line("  %s [ ] %s: %s -> %s", s.ID, unitWords(&s.Device), s.From, s.To)
			line("      by %s, %d min, battery voltage at least %.1f V", MediumFile(s.Medium), s.Minutes, s.SupplyVolts)
			if s.Chosen != "" {
				line("      %s", s.Chosen)
			}
			if s.Note != "" {
				line("      note: %s", s.Note)
			}
			for _, d := range s.After {
				line("      after %s: %s", d.Step, d.Why)
			}
			for _, c := range s.Cautions {
				line("      caution: %s", c)
			}
			for _, t := range s.Restore {
				line("      [ ] to restore: %s", t)
			}
			for _, t := range s.Before {
				line("      [ ] before: %s", t)
			}
			for _, t := range s.AfterSteps {
				line("      [ ] after:  %s", t)
			}
		}
	}
	list("AT THE END", o.Finish)
	list("DO NOT UPDATE", remarks(o.NoUpdate))
	list("NOT REACHABLE HERE", remarks(o.NotReachable))
	list("DEFERRED", remarks(o.Deferred))
	list("UNRESOLVED PROBLEMS", problems(o.Problems))
	_, err := io.WriteString(w, b.String())
	return err
}

// bringWords is "2 × microSD card, 2 to 32 GB".
func bringWords(g release.Bring) string {
	if g.Count == 0 {
		return "for updates over the network"
	}
	return fmt.Sprintf("%d × %s", g.Count, Medium(g.Medium))
}

// download is "file LF-4.52.lfw, 1048576 bytes, SHA-256 30e1…", as far as the sheets give it.
func download(m release.Medium) string {
	s := "file " + m.File
	if m.Bytes > 0 {
		s += fmt.Sprintf(", %d bytes", m.Bytes)
	}
	if m.SHA256 != "" {
		s += ", SHA-256 " + m.SHA256
	}
	return s
}

// holdWords is a hold point with what its tick needs.
func holdWords(p release.HoldPoint) string {
	if p.Needs == "" {
		return p.Text
	}
	return p.Text + " (needs a " + string(p.Needs) + ")"
}

func box(r release.Result) string {
	switch r {
	case release.Passed:
		return "x"
	case release.Failed:
		return "!"
	}
	return "?"
}

func stamp(before string, unset bool, at string) string {
	if unset {
		return ""
	}
	return before + at
}

// checkedWhen is "as received on can0 at 2026-05-02T08:01:00Z", which the pre-checks are of.
func checkedWhen(o *release.Order) string {
	c := o.Checked
	if c == nil {
		return "as of the snapshot"
	}
	s := "as received"
	if c.On != "" {
		s += " on " + c.On
	}
	return s + stamp(" at ", c.At.IsZero(), c.At.UTC().Format(time.RFC3339))
}

// updates and inGroups count each.
func updates(o *release.Order) string { return boat.Counted(len(o.Steps()), "update", "updates") }

func inGroups(o *release.Order) string { return boat.Counted(len(o.Groups), "group", "groups") }

func problems(all []release.Problem) (out []string) {
	for _, p := range Problems(all) {
		out = append(out, p.String())
	}
	return out
}

// Problems are those of an order for people: the units that no sheet describes are one.
func Problems(all []release.Problem) (list []release.Problem) {
	const suffix = " is described by no sheet"
	var units []string
	at := -1
	for _, p := range all {
		unit, ok := strings.CutSuffix(p.Text, suffix)
		if p.Code != release.UnknownModel || !ok {
			list = append(list, p)
			continue
		}
		if units = append(units, unit); at < 0 {
			at, list = len(list), append(list, p)
		}
	}
	if len(units) > 1 {
		list[at] = release.Problem{Code: release.UnknownModel, Text: boat.Counted(len(units), "unit", "units") + " are described by no sheet: " +
			strings.Join(units, "; "), Remedy: "write a sheet that matches each model that you update"}
	}
	return list
}

func remarks(all []release.Remark) []string {
	out := make([]string, len(all))
	for i, r := range all {
		out[i] = Remark(r)
	}
	return out
}

// Remark is "Larkfin LF9 display (123) 4.47: already runs the current release".
func Remark(r release.Remark) string {
	s := unitWords(&r.Device)
	if r.Version != "" {
		s += " " + r.Version
	}
	return s + ": " + r.Why
}

// unitWords is the label with the place, and who entered it by hand.
func unitWords(u *release.Unit) string {
	s := u.Label
	if u.Place != "" {
		s += ", " + u.Place
	}
	if u.ByHand != nil {
		s += ", entered by hand"
		if u.ByHand.By != "" {
			s += " by " + u.ByHand.By
		}
		if !u.ByHand.At.IsZero() {
			s += " at " + u.ByHand.At.String()
		}
	}
	return s
}

// Medium is "microSD card, 2 to 32 GB, FAT32".
func Medium(m release.Medium) string {
	s := m.Kind
	switch {
	case m.MinGB > 0 && m.MaxGB > 0:
		s += fmt.Sprintf(", %d to %d GB", m.MinGB, m.MaxGB)
	case m.MinGB > 0:
		s += fmt.Sprintf(", at least %d GB", m.MinGB)
	case m.MaxGB > 0:
		s += fmt.Sprintf(", at most %d GB", m.MaxGB)
	}
	if m.FileSystem != "" {
		s += ", " + m.FileSystem
	}
	return s
}

// MediumFile is a medium with the file that goes on it.
func MediumFile(m release.Medium) string {
	if m.File == "" {
		return Medium(m)
	}
	return Medium(m) + ", file " + m.File
}

// stateText is what a state is called in a sentence.
var stateText = map[release.StepState]string{
	release.StepWaiting: "waiting", release.StepLeft: "left the network", release.StepBack: "is back", release.StepIdentified: "reported its version",
	release.StepVerified: "is verified", release.StepFailed: "failed",
	release.StepReentry: "runs the new release and waits for its settings to be entered again", release.StepDisputed: "is disputed",
}

// StepWords is the state of a step, and what a step that is done rests on.
func StepWords(s *release.StepStatus) string {
	switch {
	case s.ReadByHand():
		return "read by hand"
	case s.State == release.StepVerified:
		return "confirmed on the network"
	}
	return KeyWords(string(s.State))
}

// StepChange is one line for people: "2026-06-01T08:03:40Z 1.1 Larkfin LF9 display (L9-0001) left the network".
func StepChange(c release.StepChange) string {
	s := fmt.Sprintf("%s %s %s", c.At, c.Step, c.Label)
	if c.From != c.To {
		s += " " + stateText[c.To]
	}
	for i, f := range c.Failures {
		s += []string{": ", "; "}[min(i, 1)] + f.Text
	}
	if c.Note != "" {
		s += ": " + c.Note
	}
	return boat.Printable(s)
}

// Steps writes the state of every step of a followed order, one line each with its failures below.
func Steps(w io.Writer, status []release.StepStatus) error {
	var b strings.Builder
	for _, s := range status {
		box := " "
		switch s.State {
		case release.StepVerified:
			box = "x"
		case release.StepFailed, release.StepDisputed:
			box = "!"
		case release.StepLeft, release.StepBack, release.StepIdentified, release.StepReentry:
			box = ">"
		}
		fmt.Fprintf(&b, "[%s] %s %s %s -> %s %s", box, s.Step, boat.Printable(s.Label), boat.Printable(s.From), boat.Printable(s.To), stateText[s.State])
		if s.ReadByHand() {
			b.WriteString(" by hand")
		}
		for _, t := range []struct {
			what string
			at   string
			set  bool
		}{{"left", s.LeftAt.String(), s.LeftAt != 0}, {"back", s.BackAt.String(), s.BackAt != 0}, {"verified", s.VerifiedAt.String(), s.VerifiedAt != 0}} {
			if t.set {
				fmt.Fprintf(&b, ", %s %s", t.what, t.at)
			}
		}
		b.WriteString("\n")
		for _, fail := range s.Failures {
			fmt.Fprintf(&b, "      %s\n", boat.Printable(fail.Text))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}
