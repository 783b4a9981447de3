package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/render"
	"muster/internal/snapshot"
)

type jobCloseCmd struct {
	Dir       string
	Sign      string
	Unsigned  bool
	Because   string
	SignedOff string
	Hours     string
	boatFlags
}

func newJobClose(a *app) *cobra.Command {
	c := jobCloseCmd{}
	cmd := &cobra.Command{
		Use: "close DIR SOURCE…", Short: "Close a job: take the snapshot after the work, make the record, sign",
		Long: `Close a job. It takes the snapshot after the work and compares it with the one before. It makes the record (record.pdf, .html, .json, .csv)
and signs the ledger. What the record lacks is printed; on a terminal it is asked. Steps that are not done stay open on the record.`,
		Example: `  muster job close 2026-231-wagtail can0 --ask --sign shop.key --signed-off-by 'A. Customer' --by Ana`,
		Args:    cobra.MinimumNArgs(2), ValidArgsFunction: fileThenSource,
		RunE: func(_ *cobra.Command, args []string) error {
			c.Dir, c.Sources = args[0], args[1:]
			err := c.run(a)
			if errors.Is(err, context.Canceled) {
				return cli.WithHint(fmt.Errorf("close %q: interrupted before its end: the job is open", c.Dir),
					"what is in the ledger is kept; muster job close goes on with it")
			}
			return err
		},
	}
	f := cmd.Flags()
	f.StringVar(&c.Sign, "sign", "", "Sign with this `KEY`; muster key new makes one")
	f.BoolVar(&c.Unsigned, "unsigned", false, "Close without a key: accidents are found later, forgery is not")
	f.StringVar(&c.Hours, "hours", "", "Time worked, in `HOURS` such as 1.5; muster job hours adds more, each with its kind")
	f.StringVar(&c.SignedOff, "signed-off-by", "", "`NAME` of the customer who agrees")
	belongsBecause(cmd, &c.Because)
	c.boatFlags.flags(cmd)
	return cmd
}

func (c *jobCloseCmd) run(a *app) error {
	by, err := c.name()
	if err != nil {
		return err
	}
	if c.Unsigned == (c.Sign != "") {
		return cli.WithHint(fmt.Errorf("close %q: give either a key or --unsigned", c.Dir),
			"add --sign KEY; muster key new -o KEY makes one. With --unsigned, a forgery cannot be found")
	}
	if c.Hours != "" {
		if _, err := minutesOf("--hours", c.Hours); err != nil {
			return err
		}
	}
	key, err := signingKey(a.ctx, c.Sign)
	if err != nil {
		return err
	}
	v, err := loadJob(a, c.Dir)
	if err != nil {
		return err
	}
	switch {
	case v.Ledger.Closed():
		return cli.WithHint(fmt.Errorf("close %q: %w", c.Dir, job.ErrClosed), "muster job pack hands it over")
	case v.Ledger.Away() != "":
		return whenClosed(v.Ledger.Open())
	case v.Before == nil:
		return cli.WithHint(fmt.Errorf("close %q: there is no snapshot before the work", c.Dir), "muster job open takes it")
	}
	if err := c.snapshot("", "").checkSource(); err != nil {
		return err
	}
	if v.After == nil {
		f := job.FileLine{File: v.Name("after.json"), What: job.After, Because: c.Because}
		// What the sheets that it was planned with judged before the work, they judge again.
		if _, err := c.take(a, v, by, f, v.SheetDir(), key); err != nil {
			return err
		}
	}
	if _, err := v.Observe(a.ctx, v.After.TakenAt(), v.After.Report, release.Conditions{}); err != nil {
		return err
	}
	if err := c.lacking(a, v, by); err != nil {
		return err
	}
	for _, lacks := range job.Next(v, nil).Missing {
		fmt.Fprintf(a.stderr, "the record lacks %s\n", commanded(lacks.Text, lacks.Command))
	}
	var keys []job.Signer
	if key != nil {
		keys = append(keys, job.Signer{Whose: snapshot.ForWorkshop, Key: key})
	}
	papers, texts, err := render.JobPapers(a.ctx, v, keys...)
	if err != nil {
		return err
	}
	if err := v.PutAll(a.ctx, job.Recorded, by, papers, texts); err != nil {
		return err
	}
	if err := v.Close(a.ctx, by, keys...); err != nil {
		return err
	}
	_, err = fmt.Fprintf(a.stdout, "%s: closed, %s, SHA-256 %s\n", c.Dir, number(len(v.Ledger.Lines), "line"), v.Ledger.Digest())
	return err
}

// lacking adds the hours and the customer's name that the flags give; on a terminal it asks for those that the record lacks.
func (c *jobCloseCmd) lacking(a *app, v *job.Visit, by string) error {
	var entries []job.Entry
	if len(v.Hours) == 0 {
		a.ask("Hours worked, such as 1.5 (may be empty)", &c.Hours)
	}
	if c.Hours != "" {
		minutes, err := minutesOf("hours", c.Hours)
		if err != nil {
			return err
		}
		entries = append(entries, job.Entry{Kind: job.Hours, By: by, Data: job.Work{Minutes: minutes}})
	}
	if v.SignOff == nil {
		a.ask("Customer who agrees (may be empty)", &c.SignedOff)
	}
	if c.SignedOff != "" {
		entries = append(entries, job.Entry{Kind: job.SignedOff, By: c.SignedOff, Data: job.Words{Text: "agreed, name typed by " + by}})
	}
	return v.Add(a.ctx, entries...)
}
