package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"sync"
	"syscall"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/daemon"
)

type runCmd struct {
	Sources []string
	Config  string
	Check   bool
	Ask     bool
	Sheets  string
	Layout  []string
	Listen  string
}

func newRun(a *app) *cobra.Command {
	c := runCmd{}
	cmd := &cobra.Command{
		Use: "run [SOURCE...]", Short: "Watch a boat: the daemon with pages, API and metrics",
		Long: `Watch a boat. Sources given here override those of the config file; muster.yaml(5) describes that file.

A hangup signal (systemctl reload muster) or POST /api/v1/reload reads the config file again while the daemon runs. The boat's devices and alerts
are kept, new sources are opened and removed ones closed. A config file with a mistake changes nothing. These keys take effect after a restart
only, and the log and the answer name them: boat, listen, manufacturer_file, state_dir, store, turning tls on or off, and another id or ask of a source.
SIGINT and SIGTERM write what must be kept and exit.`,
		Example: `  muster run can0
  muster run --ask can0 '0183:/dev/ttyUSB0?baud=4800'
  muster run --config /etc/muster/muster.yaml
  muster run --config /etc/muster/muster.yaml --check`,
		ValidArgsFunction: sources,
		RunE:              func(_ *cobra.Command, args []string) error { c.Sources = args; return c.run(a) },
	}
	f := cmd.Flags()
	f.StringVarP(&c.Config, "config", "c", "", "Config `FILE`; deploy/muster.yaml shows every key")
	f.BoolVar(&c.Check, "check", false, "Check the config and exit")
	f.BoolVar(&c.Ask, "ask", false, "Claim an address and ask devices for their product information")
	cli.Dir(cmd, &c.Sheets, "sheets", "`DIR` of release sheets; overrides the config's")
	f.StringSliceVar(&c.Layout, "layout", nil,
		"Backbone layout `FILE` to compare with the network; overrides the config's. Repeat it for each network")
	f.StringVar(&c.Listen, "listen", "", "`HOST:PORT` of the pages, or off; overrides the config's")
	return cmd
}

// run watches until interrupted.
func (c *runCmd) run(a *app) error {
	hangup := make(chan os.Signal, 1) // before anything else: a hangup while starting must not end the program
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	cfg, err := c.load(a.ctx)
	if err != nil {
		return err
	}
	if c.Check {
		if len(cfg.Sources) == 0 {
			return errNoSource
		}
		if err := daemon.CheckFleet(&cfg); err != nil {
			return err
		}
		if err := daemon.CheckLayouts(a.ctx, &cfg, a.backboneOf); err != nil {
			return badLayout(err)
		}
		if err := daemon.CheckFiles(a.ctx, &cfg); err != nil {
			return err
		}
		_, err := fmt.Fprintf(a.stdout, "%s: in order\n", orDefaults(c.Config))
		return err
	}
	d, err := a.watcher(cfg, daemon.Options{Load: c.load})
	if err != nil {
		return err
	}
	defer d.Stop()
	a.showAddress(d)
	ctx, cancel := context.WithCancel(a.ctx)
	var reloads sync.WaitGroup
	reloads.Go(func() { reloadOnHangup(ctx, d, hangup) })
	defer reloads.Wait()
	defer cancel()
	return d.Run(ctx)
}

// load reads the config with what the command line puts in its place.
func (c *runCmd) load(ctx context.Context) (config.Config, error) {
	cfg, err := loadConfig(ctx, c.Config, c.Sources, c.Ask)
	if err != nil {
		return cfg, err
	}
	if err := useSheets(ctx, &cfg, c.Sheets); err != nil {
		return cfg, err
	}
	if len(c.Layout) > 0 {
		cfg.Layout = c.Layout
	}
	if c.Listen != "" {
		if err := config.CheckListen(c.Listen, cfg.Token != "" || cfg.TLS.Cert != ""); err != nil {
			return cfg, fmt.Errorf("--listen %w", err)
		}
		cfg.Listen = c.Listen
	}
	return cfg, nil
}

// reloadOnHangup reads the config again on each SIGHUP, until ctx ends. One that cannot be used leaves the present one
// in force.
func reloadOnHangup(ctx context.Context, d *daemon.Daemon, hangup <-chan os.Signal) {
	for {
		select {
		case <-hangup:
		case <-ctx.Done():
			return
		}
		_, _ = d.ReloadConfig(ctx) // logged and counted there
	}
}

var errNoSource = cli.WithHint(fmt.Errorf("no source"),
	"name one, such as can0, on the command line or under sources in the config file")

func orDefaults(file string) string {
	if file == "" {
		return "defaults"
	}
	return file
}

// watcher makes the daemon that watches what the config names; opt is what else it does.
func (a *app) watcher(cfg config.Config, opt daemon.Options) (*daemon.Daemon, error) {
	if len(cfg.Sources) == 0 {
		return nil, errNoSource
	}
	log := a.log(cfg.Log)
	opt.Config, opt.Version = cfg, cli.Version()
	if opt.Open == nil {
		opt.Open, opt.Later = a.opener(true), a.openerOf(true, true)
	}
	opt.Log, opt.SetLog = log.logger(), log.set
	return daemon.New(a.ctx, opt)
}
