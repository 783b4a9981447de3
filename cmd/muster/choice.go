package main

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/input"
	"muster/internal/release"
	"muster/internal/report"
)

// choiceFlags are what a person changes of the order that the sheets make. A unit is named by its id or serial number.
type choiceFlags struct {
	without, releases, turns []string
}

func (c *choiceFlags) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringArrayVar(&c.without, "without", nil, "Leave this `UNIT` out, named by its id or serial number; may be given several times")
	f.StringArrayVar(&c.releases, "release", nil, "`UNIT=VERSION`: that release instead of the current one; may be given several times")
	f.StringArrayVar(&c.turns, "turn", nil, "`UNIT=N`: the unit goes after those of a lower N, as far as needs let it; may be given several times")
}

// choice is what the flags choose of the boat in a report.
func (c *choiceFlags) choice(by string, r *report.Report, s *release.Sheets) (out release.Choice, err error) {
	out = release.Choice{Without: c.without, Releases: map[string]string{}, Turns: map[string]int{}, By: by}
	for _, text := range c.releases {
		unit, version, ok := strings.Cut(text, "=")
		if !ok || version == "" {
			return out, fmt.Errorf("--release %s: write UNIT=VERSION", input.Quote(text))
		}
		out.Releases[unit] = version
	}
	for _, text := range c.turns {
		unit, n, _ := strings.Cut(text, "=")
		if out.Turns[unit], err = strconv.Atoi(n); err != nil {
			return out, fmt.Errorf("--turn %s: write UNIT=N, as in LF9-41033=2", input.Quote(text))
		}
	}
	if err := out.Resolve(r, s); err != nil {
		return out, cli.WithHint(err, "muster plan without choices lists the units and their releases")
	}
	return out, nil
}
