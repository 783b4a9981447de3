package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/daemon"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/report"
)

// nowLimit is how long a live source is received by default: displays repeat their claims within half a minute,
// the slowest of the messages that the pre-checks rest on comes every 1.5 s (common practice, no source).
const nowLimit = 30 * time.Second

// nowFlags are where the boat is received as it is now, besides what the subcommand has already.
type nowFlags struct {
	Now       string
	For       time.Duration
	Ask       bool
	Config    string
	TokenFile string
}

func (n *nowFlags) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&n.Now, "now", "",
		"Make the pre-checks on live data from this `SOURCE`: a source, or the http(s) URL of a running muster")
	f.DurationVar(&n.For, "for", 0, "Listen to --now for this `TIME`, such as 11m for the trend of the battery voltage. "+
		"Default: until all is known, at most 30s")
	f.BoolVar(&n.Ask, "ask", false, "Claim an address and ask devices for their product information")
	f.StringVarP(&n.Config, "config", "c", "", "Config `FILE` with thresholds, manufacturer names and the boat's name")
	f.StringVar(&n.TokenFile, "token-file", "", "`FILE` whose first line is the token for the URL")
	cli.Complete(cmd, "now", sources)
}

func (n *nowFlags) check() error {
	if n.For < 0 {
		return fmt.Errorf("--for %v: a time cannot be negative: write 30s or 5m", n.For)
	}
	if n.Now == "" {
		for _, f := range []struct {
			flag  string
			given bool
		}{{"--for", n.For != 0}, {"--ask", n.Ask}, {"--config", n.Config != ""}, {"--token-file", n.TokenFile != ""}} {
			if f.given {
				return cli.WithHint(fmt.Errorf("%s: it is about current values", f.flag),
					"add --now can0, or leave out %s", f.flag)
			}
		}
		return nil
	}
	if !isURL(n.Now) {
		if n.TokenFile != "" {
			return cli.WithHint(errors.New("--token-file: only a URL asks for a token"), "leave out --token-file")
		}
		return nil
	}
	switch {
	case n.For != 0:
		return cli.WithHint(errors.New("--for: a running muster has listened already"), "leave out --for")
	case n.Ask:
		return cli.WithHint(errors.New("--ask: a running muster asks by its own settings"),
			"leave out --ask, or restart that muster with it")
	case n.Config != "":
		return cli.WithHint(errors.New("--config: a running muster has its own"), "leave out --config")
	}
	return nil
}

// heard is a boat as it is now.
type heard struct {
	report     *report.Report
	conditions release.Conditions
}

// listen reads the source until enough is true, or for as long as the flags give.
func (n *nowFlags) listen(a *app, enough func(heard) bool) (heard, error) {
	if isURL(n.Now) {
		token, err := readToken(a.ctx, n.TokenFile)
		if err != nil {
			return heard{}, err
		}
		r, c, err := running{n.Now, token}.now(a.ctx)
		return heard{r, c}, err
	}
	cfg, err := loadConfig(a.ctx, n.Config, []string{n.Now}, n.Ask)
	if err != nil {
		return heard{}, err
	}
	var h heard
	live := !replayable(cfg.Sources)
	opt := daemon.Options{Config: once(cfg), Log: a.errorLog(cfg), Version: cli.Version(), Open: a.opener(live), Recorded: true}
	opt.OnReport = func(_ event.Time, r *report.Report, c release.Conditions) { h = heard{r, c} }
	if !live {
		if s := endless(a.ctx, cfg.Sources); s != "" && n.For == 0 {
			return h, cli.WithHint(fmt.Errorf("--now %s: the scenario has no end", s),
				"add --for 1m to read one minute of it")
		}
		bar := a.progress()
		defer bar.done()
		_, err = daemon.Replay(a.ctx, opt, n.For, bar.set)
		return h, n.interrupted(a, err)
	}
	ctx, cancel := context.WithTimeout(a.ctx, nowLimit)
	if n.For > 0 {
		ctx, cancel = context.WithTimeout(a.ctx, n.For)
	}
	defer cancel()
	bar := a.identified()
	defer bar.done()
	opt.OnReport = func(_ event.Time, r *report.Report, c release.Conditions) {
		h = heard{r, c}
		bar.set(r)
		if n.For == 0 && enough(h) && r.TakenAt.Sub(r.Window.From) >= leastListening {
			cancel()
		}
	}
	d, err := daemon.New(a.ctx, opt)
	if err != nil {
		return heard{}, err
	}
	defer d.Stop()
	err = errors.Join(d.RunFor(ctx, 0), silentOn(n.Now, d))
	return h, n.interrupted(a, err)
}

// interrupted keeps Ctrl-C from passing for a boat that was received.
func (n *nowFlags) interrupted(a *app, err error) error {
	if err == nil && a.ctx.Err() != nil {
		return fmt.Errorf("--now %s: interrupted before its end", n.Now)
	}
	return err
}

// silentOn is an error when nothing came from a source.
func silentOn(source string, d *daemon.Daemon) error {
	if !silent(d.Report()) {
		return nil
	}
	return &daemon.SourceError{Source: source, Err: cli.WithHint(fmt.Errorf("nothing was received on %s", source),
		"check that the boat's electronics are on, the connector, and the bit rate")}
}
