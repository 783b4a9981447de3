package main

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/job"
	"muster/internal/snapshot"
)

// boatFlags are how a job's boat is received.
type boatFlags struct {
	Sources   []string
	For       time.Duration
	Ask       bool
	Config    string
	TokenFile string
	author
}

func (b *boatFlags) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.DurationVar(&b.For, "for", 0, "Listen at least this `TIME`; of a capture, read this much of it. Default: 10s")
	f.BoolVar(&b.Ask, "ask", false, "Claim an address and ask devices for their product information")
	f.StringVarP(&b.Config, "config", "c", "", "Config `FILE` with thresholds, manufacturer names and the boat's name")
	f.StringVar(&b.TokenFile, "token-file", "", "`FILE` whose first line is the token for the URL")
	b.author.flags(cmd)
}

// snapshot is the command that takes a snapshot of that boat.
func (b *boatFlags) snapshot(sheets, keep string) *snapshotCmd {
	c := &snapshotCmd{Source: b.Sources[0], More: b.Sources[1:], For: b.For, Limit: time.Minute, Ask: b.Ask,
		Sheets: sheets, Config: b.Config, TokenFile: b.TokenFile, KeepCapture: keep}
	if isURL(c.Source) || isFile(c.Source) {
		c.KeepCapture = ""
	}
	return c
}

type jobOpenCmd struct {
	Dir      string
	From     string
	Profile  string
	Sheets   string
	TimeZone string
	Opening  job.Opening
	boatFlags
}

func newJobOpen(a *app) *cobra.Command {
	c := jobOpenCmd{}
	cmd := &cobra.Command{
		Use: "open DIR SOURCE…", Short: "Open a job: take the snapshot before the work, and plan; or take one over",
		Long: `Open a job in a new folder. It takes the snapshot before the work and keeps the raw traffic beside it. It makes the work order from the
shop's release sheets and prints the next step. On a terminal, what no flag gives is asked.

With --from it takes over a job that muster job pack --to handed over, or the page Work. A job is open in one place at a time.`,
		Example: `  muster job open 2026-231-wagtail can0 --ask --sheets sheets --profile shop.yaml --boat Wagtail --by Ana
  muster job open 2026-231-wagtail --from 2026-231-wagtail.zip --by Ana`,
		Args: func(cmd *cobra.Command, args []string) error {
			if c.From != "" {
				return cobra.ExactArgs(1)(cmd, args)
			}
			return cobra.MinimumNArgs(2)(cmd, args)
		}, ValidArgsFunction: fileThenSource,
		RunE: func(_ *cobra.Command, args []string) error {
			if c.Dir, c.Sources = args[0], args[1:]; c.From != "" {
				return c.takeOver(a)
			}
			return c.run(a)
		},
	}
	f := cmd.Flags()
	f.StringVar(&c.From, "from", "", "Take over the job in this `FILE`, which muster job pack --to wrote")
	f.StringVar(&c.Profile, "profile", "", "Job `FILE` with what the shop's jobs share; deploy/examples/job.yaml shows every key")
	cli.Dir(cmd, &c.Sheets, "sheets", "`DIR` of release sheets; without them no update is planned")
	f.StringVar(&c.Opening.Number, "number", "", "The shop's job `NUMBER`. Default: the name of the folder")
	f.StringVar(&c.Opening.Boat, "boat", "", "The boat's `NAME`")
	f.StringVar(&c.Opening.Customer, "customer", "", "The customer's `NAME`")
	f.StringVar(&c.Opening.Place, "place", "", "`PLACE` where the boat lies")
	f.StringVar(&c.TimeZone, "time-zone", "", "The boat's time `ZONE`, as in Europe/Lisbon. Default: that of --profile, or UTC")
	f.StringVar(&c.Opening.AskedFor, "asked-for", "", "What the customer asked for, in `WORDS`")
	c.boatFlags.flags(cmd)
	return cmd
}

func (c *jobOpenCmd) run(a *app) error {
	by, err := c.name()
	if err != nil {
		return err
	}
	profile := new(job.Job)
	if c.Profile != "" {
		if profile, err = job.LoadShared(a.ctx, c.Profile); err != nil {
			return cli.WithHint(err, "deploy/examples/job.yaml shows every key")
		}
	}
	if c.TimeZone != "" {
		if profile.TimeZone = c.TimeZone; !job.KnownZone(c.TimeZone) {
			return cli.WithHint(fmt.Errorf("--time-zone %q: it is not known", c.TimeZone), "write one such as Europe/Lisbon")
		}
	}
	files, err := readSheets(a.ctx, c.Sheets)
	if err != nil {
		return err
	}
	if err := c.snapshot("", "").checkSource(); err != nil {
		return err
	}
	v, err := c.visit(a, by, profile)
	if err != nil {
		return err
	}
	if v.Before == nil {
		if err := c.before(a, v, by); err != nil {
			return cli.WithHint(err, "the job is open; muster job open %s SOURCE takes the snapshot when the boat is received", c.Dir)
		}
	}
	if files != nil {
		if err := new(choiceFlags).plan(a, v, by, files); err != nil {
			return whenClosed(err)
		}
	}
	return a.printAdvice(job.Next(v, nil))
}

// takeOver goes on with a job that was handed over.
func (c *jobOpenCmd) takeOver(a *app) error {
	by, err := c.name()
	if err != nil {
		return err
	}
	f, err := os.Open(c.From)
	if err != nil {
		return fmt.Errorf("take over: %w", cli.PlainPath(err))
	}
	defer f.Close()
	fi, err := f.Stat()
	if err != nil {
		return err
	}
	v, err := job.Unpack(a.ctx, c.Dir, here, f, fi.Size(), func(*job.Visit) error { return nil })
	if err == nil {
		err = v.TakeOver(a.ctx, by)
	}
	if err != nil {
		return fmt.Errorf("%q: %w", c.From, err)
	}
	return a.printAdvice(job.Next(v, nil))
}

// visit opens the job, or goes on with one that has no snapshot yet, or no work order and gets sheets.
func (c *jobOpenCmd) visit(a *app, by string, profile *job.Job) (*job.Visit, error) {
	if v, err := job.LoadVisit(a.ctx, c.Dir, here); err == nil {
		if v.Before != nil && (v.Order != nil || c.Sheets == "") {
			return nil, cli.WithHint(fmt.Errorf("open job: %q holds one already", c.Dir), "muster job next %s shows how it goes on", c.Dir)
		}
		return v, nil
	} else if !errors.Is(err, job.ErrNoJob) {
		return nil, err
	}
	if entries, _ := os.ReadDir(c.Dir); len(entries) > 0 {
		return nil, cli.WithHint(fmt.Errorf("open job: %q has other files in it", c.Dir), "name a new folder")
	}
	o := &c.Opening
	a.ask("Boat", &o.Boat)
	a.ask("Customer", &o.Customer)
	a.ask("Place", &o.Place)
	a.ask("Asked for", &o.AskedFor)
	if o.Number == "" {
		o.Number = filepath.Base(filepath.Clean(c.Dir))
	}
	for _, f := range []struct{ flag, text string }{{"number", o.Number}, {"boat", o.Boat}, {"customer", o.Customer},
		{"place", o.Place}, {"asked-for", o.AskedFor}} {
		if f.text != "" {
			if err := given("--"+f.flag, f.text); err != nil {
				return nil, err
			}
		}
	}
	return job.Begin(a.ctx, c.Dir, here, by, *o, profile, time.Now())
}

// before takes the snapshot before the work.
func (c *jobOpenCmd) before(a *app, v *job.Visit, by string) error {
	_, err := c.take(a, v, by, job.FileLine{File: "before.json", What: job.Before}, c.Sheets, nil)
	return err
}

// take takes a snapshot into the job, with its traffic.
func (b *boatFlags) take(
	a *app, v *job.Visit, by string, f job.FileLine, sheets string, key ed25519.PrivateKey,
) (*snapshot.Snapshot, error) {
	name := f.File[:len(f.File)-len(".json")] + ".log.zst"
	traffic := filepath.Join(v.Dir, "traffic", name)
	if err := recovered(a, v, by); err != nil {
		return nil, err
	}
	done, err := v.Writing(name)
	if err != nil {
		return nil, err
	}
	defer done()
	cmd := b.snapshot(sheets, traffic)
	cmd.Force = !v.Has("traffic/" + name) // what lies there under that name was never part of the job
	s, err := cmd.sealed(a)
	if err != nil {
		return nil, err
	}
	if key != nil {
		if err := s.Close(key); err != nil {
			return nil, err
		}
	}
	ctx := context.WithoutCancel(a.ctx)
	if err := v.PutSnapshot(ctx, by, f, s); err != nil || cmd.KeepCapture == "" {
		return s, err
	}
	return s, v.Keep(ctx, by, "traffic/"+name)
}
