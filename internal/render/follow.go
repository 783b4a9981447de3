package render

import (
	"fmt"
	"io"
	"strings"

	"muster/internal/boat"
	"muster/internal/release"
)

// stateText is what a state is called in a sentence.
var stateText = map[release.StepState]string{
	release.StepWaiting: "waits", release.StepLeft: "left the network", release.StepBack: "is back", release.StepIdentified: "told its version",
	release.StepVerified: "is verified", release.StepFailed: "failed",
}

// StepChange is one line for people: "2026-06-01T08:03:40Z 1.1 Larkfin LF9 head (L9-0001) left the network".
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

// Steps says how every step of a followed order stands, one line each and its failures below.
func Steps(w io.Writer, status []release.StepStatus) error {
	var b strings.Builder
	for _, s := range status {
		box := " "
		switch s.State {
		case release.StepVerified:
			box = "x"
		case release.StepFailed:
			box = "!"
		case release.StepLeft, release.StepBack, release.StepIdentified:
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
	_, err := io.WriteString(w, b.String())
	return err
}
