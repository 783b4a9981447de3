package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/job"
	"muster/internal/release"
)

func newJobCard(a *app) *cobra.Command {
	kind := ""
	cmd := &cobra.Command{
		Use: "card DIR PATH", Short: "Check a memory card against the work order", Args: cobra.ExactArgs(2),
		Long: `Check a memory card against the work order: names, and the sizes and SHA-256 that the release sheets give. What is missing, cut or
altered is listed, and what the card holds besides.`,
		Example: "  muster job card 2026-231-wagtail /media/card --medium 'microSD card'",
		RunE: func(_ *cobra.Command, args []string) error {
			v, err := loadJob(a, args[0])
			if err != nil {
				return err
			}
			if v.Order == nil {
				return noOrder(args[0])
			}
			if err := knownMedium(v.Order, kind); err != nil {
				return err
			}
			sheets, err := v.Sheets(a.ctx)
			if err != nil {
				return err
			}
			files, err := job.Card(v.Order, sheets, args[1], kind)
			if err != nil {
				return err
			}
			return a.printCard(args[1], files)
		},
	}
	cmd.Flags().StringVar(&kind, "medium", "", "What it is: `KIND` of medium in the work order, such as 'USB stick'. Default: all kinds")
	return cmd
}

// knownMedium refuses a kind of medium that the order does not ask for.
func knownMedium(o *release.Order, kind string) error {
	if kind == "" {
		return nil
	}
	var known []string
	for _, b := range o.Bring {
		if b.Medium.Kind == kind {
			return nil
		}
		known = append(known, b.Medium.Kind)
	}
	return cli.WithHint(fmt.Errorf("--medium %q: the work order needs none", kind), "it needs %s", strings.Join(known, ", "))
}

func (a *app) printCard(path string, files []job.CardFile) error {
	problems := 0
	for _, f := range files {
		text := f.Problem
		switch {
		case text != "":
			problems++
		case f.Checked:
			text = "as in the release sheet"
		default:
			text = "there; the release sheet gives neither size nor SHA-256"
		}
		if _, err := fmt.Fprintln(a.stdout, boat.Printable(f.Name+": "+text)); err != nil {
			return err
		}
	}
	if problems > 0 {
		return cli.WithHint(fmt.Errorf("card %q: %s", path, number(problems, "problem")), "fix the card before the update")
	}
	return nil
}
