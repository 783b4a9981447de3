package release

import (
	"fmt"
	"strings"
	"time"

	"muster/internal/boat"
)

// Text is the order for a terminal or a printer, at most about 100 columns wide.
func (o *Order) Text() string {
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
	line("WORK ORDER  %s", o.boatName())
	line("Snapshot %s%s", o.Snapshot.Digest, stamp(" taken ", o.Snapshot.TakenAt.IsZero(), o.Snapshot.TakenAt.String()))
	line("%s in %s: %d min side by side, %d min one by one", o.updates(), o.inGroups(), o.Minutes, o.MinutesAlone)
	list("CAUTIONS (common practice; the maker's instructions and local codes go first)", o.Cautions)
	line("\nBEFORE STARTING (%s)", o.checkedWhen())
	for _, c := range o.PreChecks {
		line("  [%s] %-18s %s", box(c.Result), c.ID, c.Text)
	}
	if len(o.Bring) > 0 {
		line("\nBRING")
		for _, g := range o.Bring {
			line("  [ ] %s", g.what())
			for _, f := range g.Files {
				line("      file %s", f)
			}
		}
	}
	for _, g := range o.Groups {
		line("\nGROUP %d  %d min", g.Number, g.Minutes)
		line("  HOLD [ ] %s", g.Hold)
		for i := range g.Steps {
			s := &g.Steps[i]
			line("  %s [ ] %s: %s -> %s", s.ID, s.Device.shown(), s.From, s.To)
			line("      by %s, %d min, supply at least %.1f V", s.Medium.withFile(), s.Minutes, s.SupplyVolts)
			if s.Note != "" {
				line("      note: %s", s.Note)
			}
			for _, d := range s.After {
				line("      after %s: %s", d.Step, d.Why)
			}
			for _, c := range s.Cautions {
				line("      caution: %s", c)
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
	list("LEFT ALONE", told(o.LeftAlone))
	list("NOT REACHABLE HERE", told(o.NotReachable))
	list("KEPT BACK", told(o.KeptBack))
	list("PROBLEMS", told(o.Problems))
	return b.String()
}

// what is "2 × microSD card, 2 to 32 GB".
func (g Bring) what() string {
	if g.Count == 0 {
		return "for updates over the network"
	}
	return fmt.Sprintf("%d × %s", g.Count, g.Medium)
}

func box(r Result) string {
	switch r {
	case Passed:
		return "x"
	case Failed:
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

// checkedWhen is "as heard on can0 at 2026-05-02T08:01:00Z", which the pre-checks are of.
func (o *Order) checkedWhen() string {
	c := o.Checked
	if c == nil {
		return "as of the snapshot"
	}
	s := "as heard"
	if c.On != "" {
		s += " on " + c.On
	}
	return s + stamp(" at ", c.At.IsZero(), c.At.UTC().Format(time.RFC3339))
}

// updates and inGroups say how many there are of each.
func (o *Order) updates() string { return boat.Counted(len(o.Steps()), "update", "updates") }

func (o *Order) inGroups() string { return boat.Counted(len(o.Groups), "group", "groups") }

func (o *Order) boatName() string {
	switch {
	case o.Boat.Name != "" && o.Boat.ID != "":
		return o.Boat.Name + " (" + o.Boat.ID + ")"
	case o.Boat.Name != "":
		return o.Boat.Name
	}
	return o.Boat.ID
}

// told is what things say of themselves.
func told[T fmt.Stringer](things []T) []string {
	var out []string
	for _, x := range things {
		out = append(out, x.String())
	}
	return out
}

// String is "Larkfin LF9 head (123) 4.47: already runs the current release".
func (r Remark) String() string {
	s := r.Device.shown()
	if r.Version != "" {
		s += " " + r.Version
	}
	return s + ": " + r.Why
}

// shown is the label with what else helps to find the device aboard.
func (u *Unit) shown() string {
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

// String is "microSD card, 2 to 32 GB, FAT32".
func (m Medium) String() string {
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

func (m Medium) withFile() string {
	if m.File == "" {
		return m.String()
	}
	return m.String() + ", file " + m.File
}
