package main

import (
	"bytes"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/input"
	"muster/internal/job"
	"muster/internal/render"
)

// printChanges prints what the steps of a job made of the latest entries.
func (a *app) printChanges(v *job.Visit) error {
	for _, c := range v.Changes {
		if _, err := fmt.Fprintln(a.stdout, render.StepChange(c)); err != nil {
			return err
		}
	}
	return nil
}

func (a *app) printJSON(v any) error {
	var b bytes.Buffer
	if err := encodeJSON(&b, v); err != nil {
		return err
	}
	_, err := a.stdout.Write(b.Bytes())
	return err
}

// says is a command that puts a person's entry into a job.
func says(a *app, cmd *cobra.Command, entries func(v *job.Visit, args []string) (job.Entry, error)) *cobra.Command {
	var w author
	w.flags(cmd)
	cmd.RunE = func(_ *cobra.Command, args []string) error {
		return noted(a, args[0], &w, func(v *job.Visit, by string) ([]job.Entry, error) {
			e, err := entries(v, args[1:])
			e.By = by
			return []job.Entry{e}, err
		})
	}
	return cmd
}

func newJobTick(a *app) *cobra.Command {
	var w author
	t := job.Tick{}
	cmd := &cobra.Command{
		Use: "tick DIR POINT…", Short: "Tick hold points, or steps of a remedy", Args: cobra.MinimumNArgs(2),
		Long: `Tick hold points: what must be true before the first update. Some need a reading or a photo, which goes to those of several that need
it. A step of a finding's remedy is ticked with its number, such as instance-clash.2. muster job next lists what is open.`,
		Example: `  muster job tick 2026-231-wagtail shore-power --reading '13.2 V' --by Ana
  muster job tick 2026-231-wagtail moored engines-off owner-informed --by Ana`,
	}
	w.flags(cmd)
	cmd.Flags().StringVar(&t.Reading, "reading", "", "What was read, as `WORDS`")
	cmd.Flags().StringVar(&t.Photo, "photo", "", "`NAME` of a photo that the job has; muster job attach puts one in")
	cmd.RunE = func(_ *cobra.Command, args []string) error {
		return noted(a, args[0], &w, func(v *job.Visit, by string) (entries []job.Entry, err error) {
			for _, id := range args[1:] {
				one := job.Tick{Point: id, Reading: t.Reading, Photo: t.Photo}
				if len(args) > 2 {
					one = v.Only(one)
				}
				entries, err = append(entries, job.Entry{Kind: job.HoldPoint, By: by, Data: one}), errors.Join(err, v.CheckTick(one))
			}
			return entries, err
		})
	}
	return cmd
}

func newJobRead(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use: "read DIR STEP VERSION", Short: "Record a version read on a device's own screen", Args: cobra.ExactArgs(3),
		Long:    "Record a version read on a device's own screen. It never overrules the network: where that shows another version, the step is disputed.",
		Example: "  muster job read 2026-231-wagtail 2.1 1.4 --by Ana",
	}
	return says(a, cmd, func(v *job.Visit, args []string) (job.Entry, error) {
		return job.Entry{Kind: job.ReadByHand, About: &job.About{Step: args[0]}, Data: job.ByHand{Version: args[1]}},
			errors.Join(v.CheckStep(args[0]), given("VERSION", args[1]))
	})
}

func newJobSettle(a *app) *cobra.Command {
	var h job.ByHand
	cmd := &cobra.Command{
		Use: "settle DIR STEP", Short: "Settle a step on your own word, with a reason", Args: cobra.ExactArgs(2),
		Long: `Settle a step on your own word, with a reason: a difference between a screen and the network, or a battery voltage that fell while the
device was away. Your name and the reason print on the record.`,
		Example: "  muster job settle 2026-231-wagtail 1.1 --reason 'measured at the display: 12.6 V' --by Ana",
	}
	cmd.Flags().StringVar(&h.Reason, "reason", "", "Why, in `WORDS`")
	cmd.Flags().StringVar(&h.Version, "version", "", "The `VERSION` on its screen. Default: the release that the step brings")
	cli.Require(cmd, "reason")
	return says(a, cmd, func(v *job.Visit, args []string) (job.Entry, error) {
		if err := errors.Join(v.CheckStep(args[0]), given("--reason", h.Reason)); err != nil {
			return job.Entry{}, err
		}
		for _, s := range v.Order.Steps() {
			if s.ID == args[0] && h.Version == "" {
				h.Version = s.To
			}
		}
		return job.Entry{Kind: job.Settled, About: &job.About{Step: args[0]}, Data: h}, nil
	})
}

func newJobWaive(a *app) *cobra.Command {
	var w job.Waiver
	cmd := &cobra.Command{
		Use: "waive DIR CHECK", Short: "Go on in spite of a pre-check, with a reason", Args: cobra.ExactArgs(2),
		Long:    "Go on in spite of a pre-check, such as not-moving. Your name and the reason print on the record.",
		Example: "  muster job waive 2026-231-wagtail supply-trend --reason 'a bench supply is connected' --by Ana",
	}
	cmd.Flags().StringVar(&w.Reason, "reason", "", "Why, in `WORDS`")
	cli.Require(cmd, "reason")
	return says(a, cmd, func(v *job.Visit, args []string) (job.Entry, error) {
		w.Check = args[0]
		return job.Entry{Kind: job.Waived, Data: w}, errors.Join(v.CheckPreCheck(w.Check), given("--reason", w.Reason))
	})
}

func newJobNote(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use: "note DIR WORDS…", Short: "Add a note, which prints on the record", Args: cobra.MinimumNArgs(2),
		Example: "  muster job note 2026-231-wagtail 'the old release is on the card in the chart table' --by Ana",
	}
	return says(a, cmd, func(_ *job.Visit, args []string) (job.Entry, error) {
		text := strings.Join(args, " ")
		return job.Entry{Kind: job.Note, Data: job.Words{Text: text}}, given("WORDS", text)
	})
}

func newJobHours(a *app) *cobra.Command {
	var w job.Work
	cmd := &cobra.Command{
		Use: "hours DIR HOURS", Short: "Add time worked", Args: cobra.ExactArgs(2),
		Example: "  muster job hours 2026-231-wagtail 1.5 --kind travel --by Ana",
	}
	cmd.Flags().StringVar(&w.Kind, "kind", "", "`KIND` of work, such as travel")
	return says(a, cmd, func(_ *job.Visit, args []string) (_ job.Entry, err error) {
		w.Minutes, err = minutesOf("HOURS", args[0])
		return job.Entry{Kind: job.Hours, Data: w}, err
	})
}

// minutesOf is a time worked that was given in hours: 1.5 or 1,5.
func minutesOf(what, text string) (int, error) {
	h, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil || !(h > 0 && h <= 1000) {
		return 0, fmt.Errorf("%s %s: it is no time worked: write 1.5", what, input.Quote(text))
	}
	return int(h*60 + .5), nil
}

func newJobPart(a *app) *cobra.Command {
	p := job.PartUsed{}
	cmd := &cobra.Command{
		Use: "part DIR NAME", Short: "Add a part that was fitted", Args: cobra.ExactArgs(2),
		Example: "  muster job part 2026-231-wagtail 'T-connector' --number TC-5 --count 2 --by Ana",
	}
	cmd.Flags().StringVar(&p.Number, "number", "", "The part's `NUMBER`")
	cmd.Flags().IntVar(&p.Count, "count", 1, "How many, `N`")
	return says(a, cmd, func(_ *job.Visit, args []string) (job.Entry, error) {
		if p.Name = args[0]; p.Count < 1 || p.Count > 10_000 {
			return job.Entry{}, fmt.Errorf("--count %d: write how many were fitted", p.Count)
		}
		return job.Entry{Kind: job.Part, Data: p}, given("NAME", p.Name)
	})
}

func newJobReopen(a *app) *cobra.Command {
	var reason string
	cmd := &cobra.Command{
		Use: "reopen DIR", Short: "Open a closed job again, with a reason", Args: cobra.ExactArgs(1),
		Long:    "Open a closed job again. What was closed stays as it is; what follows is a chapter of its own, with a record of its own.",
		Example: "  muster job reopen 2026-231-wagtail --reason 'the owner asked for the anchor camera too' --by Ana",
	}
	cmd.Flags().StringVar(&reason, "reason", "", "Why, in `WORDS`")
	cli.Require(cmd, "reason")
	return says(a, cmd, func(v *job.Visit, _ []string) (job.Entry, error) {
		if !v.Ledger.Closed() {
			return job.Entry{}, fmt.Errorf("reopen %q: the job is open", v.Dir)
		}
		return job.Entry{Kind: job.Reopened, Data: job.Words{Text: reason}}, given("--reason", reason)
	})
}

// given refuses a text without content, and one that is a file of its own.
func given(what, text string) error {
	switch {
	case strings.TrimSpace(text) == "":
		return fmt.Errorf("%s: it is empty", what)
	case len(text) > 10_000:
		return fmt.Errorf("%s: it has more than 10000 bytes: attach it as a file", what)
	}
	return nil
}
