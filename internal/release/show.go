package release

import (
	"fmt"
	"strings"

	"muster/internal/boat"
)

// stateText is what a state is called in a sentence.
var stateText = map[StepState]string{
	StepWaiting: "waits", StepLeft: "left the network", StepBack: "is back", StepIdentified: "told its version",
	StepVerified: "is verified", StepFailed: "failed",
}

// String is one line for people: "2026-06-01T08:03:40Z 1.1 Larkfin LF9 head (L9-0001) left the network".
func (c StepChange) String() string {
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

// Text says how every step stands, one line each and its failures below.
func (f *Follower) Text() string {
	var b strings.Builder
	for _, s := range f.Status() {
		box := " "
		switch s.State {
		case StepVerified:
			box = "x"
		case StepFailed:
			box = "!"
		case StepLeft, StepBack, StepIdentified:
			box = ">"
		}
		fmt.Fprintf(&b, "[%s] %s %s %s -> %s %s", box, s.Step, boat.Printable(s.Label), boat.Printable(s.From), boat.Printable(s.To), stateText[s.State])
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
	return b.String()
}
