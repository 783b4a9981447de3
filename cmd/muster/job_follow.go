package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/job"
)

type jobFollowCmd struct {
	Dir string
	boatFlags
}

func newJobFollow(a *app) *cobra.Command {
	c := jobFollowCmd{}
	cmd := &cobra.Command{
		Use: "follow DIR SOURCE…", Short: "Follow the job's work order live into its ledger",
		Long: `Follow the job's work order live. Each step that leaves, comes back or reports its version is in the ledger before it is printed; others may
put in readings and notes at the same time. It can be ended and begun again at any time. Exit status 1 means that a step failed or is not done.`,
		Example: "  muster job follow 2026-231-wagtail can0 --ask",
		Args:    cobra.MinimumNArgs(2), ValidArgsFunction: fileThenSource,
		RunE: func(_ *cobra.Command, args []string) error { c.Dir, c.Sources = args[0], args[1:]; return c.run(a) },
	}
	c.boatFlags.flags(cmd)
	return cmd
}

func (c *jobFollowCmd) run(a *app) error {
	by, err := c.name()
	if err != nil {
		return err
	}
	cmd := followCmd{Source: c.Sources[0], More: c.Sources[1:], For: c.For, Ask: c.Ask, Config: c.Config,
		TokenFile: c.TokenFile}
	if err := cmd.check(); err != nil {
		return err
	}
	v, err := loadJob(a, c.Dir)
	if err != nil {
		return err
	}
	switch err := v.Ledger.Open(); {
	case err != nil:
		return whenClosed(err)
	case v.Order == nil:
		return noOrder(c.Dir)
	}
	if err := recovered(a, v, by); err != nil {
		return err
	}
	traffic := ""
	if !isURL(cmd.Source) && !isFile(cmd.Source) {
		name := "follow-" + time.Now().UTC().Format("20060102T150405.000") + ".log.zst"
		done, err := v.Writing(name)
		if err != nil {
			return err
		}
		defer done()
		traffic = filepath.Join(c.Dir, "traffic", name)
		if cmd.keeper, err = newKeeper(traffic); err != nil {
			return err
		}
		defer cmd.keeper.discard()
	}
	lasting := context.WithoutCancel(a.ctx)
	f := &following{ctx: lasting, out: a.stdout, errs: a.stderr, board: a.newBoard(), order: v.Order, follower: v.Follower,
		visit: v, by: by}
	ctx, cancel := context.WithCancel(a.ctx)
	defer cancel()
	f.stop = cancel
	err = cmd.watch(ctx, a, f)
	if traffic != "" {
		if _, kerr := cmd.keeper.keep(traffic, false); kerr != nil {
			err = errors.Join(err, kerr)
		} else {
			err = errors.Join(err, v.Keep(lasting, by, "traffic/"+filepath.Base(traffic)))
		}
	}
	return f.end(err)
}

// recovered takes up the traffic of a follow that was killed, and prints what it took.
func recovered(a *app, v *job.Visit, by string) error {
	names, err := v.Recover(context.WithoutCancel(a.ctx), by)
	for _, name := range names {
		fmt.Fprintf(a.stderr, "recovered %s: the program that wrote it was stopped\n", name)
	}
	return err
}
