package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/daemon"
	"muster/internal/release"
)

type followCmd struct {
	Order     string
	Source    string
	Before    string
	State     string
	For       time.Duration
	Ask       bool
	Confirm   map[string]string
	Reason    string
	By        string
	Config    string
	TokenFile string

	More   []string // other sources of the same boat
	keeper *keeper  // keeps the traffic; nil to keep none
}

func newFollow(a *app) *cobra.Command {
	c := followCmd{}
	cmd := &cobra.Command{
		Use: "follow ORDER SOURCE", Short: "Follow a work order live and tick off each step",
		Long: `Follow a work order live. ORDER is written by muster plan -o order.json; SOURCE is a source or the http(s) URL of a running muster.

Each step is printed when its device leaves, comes back and reports its version. The end shows the state of every step. On a terminal, a table
shows all steps, the time of each in each state, and the battery voltage. The command stops when all steps are verified, at --for, at the end of
the capture, or with Ctrl-C. Exit status 1 means that a step failed or is not done.`,
		Example: `  muster follow order.json can0 --ask --before before.json --state work.json
  muster follow order.json http://127.0.0.1:8632 --state work.json
  muster follow order.json quay.log.zst --before before.json
  muster follow order.json can0 --state work.json --confirm 2.1=1.4 --by Ana`,
		Args: cobra.ExactArgs(2), ValidArgsFunction: fileThenSource,
		RunE: func(_ *cobra.Command, args []string) error { c.Order, c.Source = args[0], args[1]; return c.run(a) },
	}
	f := cmd.Flags()
	f.StringVar(&c.Before, "before", "",
		"Snapshot `FILE` to check that settings survived. Default: the first 30 s of traffic")
	f.StringVar(&c.State, "state", "", "Keep the state of each step in this `FILE`, and continue from it")
	f.DurationVar(&c.For, "for", 0, "Stop after this `TIME`, such as 2h; of a capture, read this much of it")
	f.BoolVar(&c.Ask, "ask", false,
		"Claim an address and ask devices, so that each reports its version when it is back")
	f.StringToStringVar(&c.Confirm, "confirm", nil, "Record a version read on the device's own screen: `STEP=VERSION`")
	f.StringVar(&c.Reason, "reason", "", "With --confirm: why `WORDS` settle what the network shows otherwise, or a battery voltage that fell")
	f.StringVar(&c.By, "by", "", "`NAME` of the person who read it. Default: your login name")
	f.StringVarP(&c.Config, "config", "c", "", "Config `FILE` with thresholds, manufacturer names and the boat's name")
	f.StringVar(&c.TokenFile, "token-file", "", "`FILE` whose first line is the token for the URL")
	return cmd
}

// run follows the order.
func (c *followCmd) run(a *app) error {
	if err := c.check(); err != nil {
		return err
	}
	f, err := c.begin(a)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(a.ctx)
	defer cancel()
	f.stop = cancel
	return f.end(c.watch(ctx, a, f))
}

// watch takes the boat from where it is received, until the order is done or ctx ends.
func (c *followCmd) watch(ctx context.Context, a *app, f *following) error {
	if isURL(c.Source) {
		return c.watchURL(ctx, f, time.Second)
	}
	return c.watchSource(ctx, a, f)
}

func (c *followCmd) check() error {
	if c.For < 0 {
		return fmt.Errorf("--for %v: a time cannot be negative: write 30s or 5m", c.For)
	}
	if c.Reason != "" && len(c.Confirm) == 0 {
		return cli.WithHint(errors.New("--reason: nothing is confirmed"), "add --confirm STEP=VERSION")
	}
	if !isURL(c.Source) {
		if c.TokenFile != "" {
			return cli.WithHint(errors.New("--token-file: only a URL asks for a token"), "leave out --token-file")
		}
		return nil
	}
	switch {
	case c.Ask:
		return cli.WithHint(errors.New("--ask: a running muster asks by its own settings"),
			"leave out --ask, or restart that muster with it")
	case c.Config != "":
		return cli.WithHint(errors.New("--config: a running muster has its own"), "leave out --config")
	}
	return nil
}

// begin reads the order, what was before, and how far the work is.
func (c *followCmd) begin(a *app) (*following, error) {
	text, err := readFile(a.ctx, c.Order, maxSnapshot)
	if err != nil {
		return nil, cli.WithHint(fmt.Errorf("read %q: %w", c.Order, err),
			"muster plan SNAPSHOT --sheets DIR -o order.json makes one")
	}
	order, err := release.ParseOrder(a.ctx, text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", c.Order, err)
	}
	f := &following{ctx: context.WithoutCancel(a.ctx), out: a.stdout, errs: a.stderr, board: a.newBoard(), order: order,
		file: c.State, confirm: c.Confirm, by: who(c.By), reason: c.Reason}
	for _, step := range slices.Sorted(maps.Keys(c.Confirm)) {
		if !slices.ContainsFunc(order.Steps(), func(s *release.Step) bool { return s.ID == step }) {
			return nil, cli.WithHint(fmt.Errorf("--confirm %s: the order has no such step", step),
				"the work order numbers its steps, such as 1.1")
		}
	}
	if c.Before != "" {
		s, err := loadSnapshot(a.ctx, c.Before)
		if err != nil {
			return nil, err
		}
		if digest := digestOf(s.Seal.SHA256); digest != order.Snapshot.Digest {
			return nil, cli.WithHint(fmt.Errorf("--before %s: the order was made from another snapshot: %s, this is %s", c.Before, order.Snapshot.Digest, digest),
				"give the snapshot that muster plan used, or make the order again from this one")
		}
		if f.follower, err = release.NewFollower(order, s.Report); err != nil {
			return nil, err
		}
	}
	if c.State == "" {
		return f, nil
	}
	saved, err := readFile(a.ctx, c.State, maxSnapshot)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return f, nil
	case err != nil:
		return nil, fmt.Errorf("--state %q: %w", c.State, err)
	}
	f.saved = saved
	if f.follower, err = release.Restore(a.ctx, order, saved); err != nil {
		return nil, cli.WithHint(fmt.Errorf("--state %s: %w", c.State, err), "name another file, or remove this one")
	}
	return f, nil
}

func (c *followCmd) watchSource(ctx context.Context, a *app, f *following) error {
	cfg, err := loadConfig(a.ctx, c.Config, append([]string{c.Source}, c.More...), c.Ask)
	if err != nil {
		return err
	}
	live := !replayable(cfg.Sources)
	opt := daemon.Options{Config: once(cfg), Log: a.errorLog(cfg), Version: cli.Version(),
		Open: c.keeper.around(a.opener(live)), OnReport: f.observe}
	if !live {
		if s := endless(a.ctx, cfg.Sources); s != "" && c.For == 0 {
			return cli.WithHint(fmt.Errorf("follow %s: the scenario has no end", s),
				"add --for 10m to follow ten minutes of it")
		}
		bar := a.progress()
		if f.board != nil {
			bar = &progress{} // one thing drawn in place is enough
		}
		defer bar.done()
		_, err = daemon.Replay(ctx, opt, c.For, bar.set)
		return err
	}
	d, err := daemon.New(a.ctx, opt)
	if err != nil {
		return err
	}
	defer d.Stop()
	return d.RunFor(ctx, c.For)
}

// watchURL reads the report of a running muster every so often. One that answered before may be away for a while.
func (c *followCmd) watchURL(ctx context.Context, f *following, every time.Duration) error {
	token, err := readToken(ctx, c.TokenFile)
	if err != nil {
		return err
	}
	if c.For > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, c.For)
		defer cancel()
	}
	muster := running{c.Source, token}
	tick := time.NewTicker(every)
	defer tick.Stop()
	answered, away := false, false
	for {
		r, cond, err := muster.now(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil && !answered:
			return err
		case err != nil && !away:
			f.printLine("%s; going on when it answers", err)
		case err == nil:
			answered = true
			f.observe(r.TakenAt, r, cond)
		}
		away = err != nil
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// who is the person at the keyboard.
func who(given string) string {
	if given != "" {
		return given
	}
	return os.Getenv("USER")
}
