package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/pflag"

	"muster/internal/backbone"
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

func newRun(a *app) cli.Command {
	c := runCmd{}
	return cli.Command{Name: "run", Short: "Watch a boat: the daemon with pages, API and metrics.",
		Long: `A hangup signal (systemctl reload muster) or POST /api/v1/reload reads the config file again while it runs: what is known of the boat stays,
new sources are begun and those no longer named end. A file that cannot be used changes nothing. What takes effect only after a restart
is named in the log and in the answer: boat, listen, maker_file, state_dir, store, turning tls on or off, and another id or ask of a source.

Examples:

    muster run can0
    muster run --ask can0 '0183:/dev/ttyUSB0?baud=4800'
    muster run --config /etc/muster/muster.yaml
    muster run --config /etc/muster/muster.yaml --check`,
		Args: []cli.Arg{
			{Name: "source", Help: "Sources to watch, in the place of those of the config file.", Many: &c.Sources, Optional: true, Words: sources},
		},
		Flags: c.flags, Run: func() error { return c.run(a) }}
}

func (c *runCmd) flags(f *pflag.FlagSet) {
	f.VarP(cli.Text(&c.Config, "FILE"), "config", "c", "Config file; deploy/muster.yaml shows every key.")
	f.BoolVar(&c.Check, "check", false, "Check the config and end.")
	f.BoolVar(&c.Ask, "ask", false, "Claim an address and ask devices who they are.")
	f.Var(cli.Text(&c.Sheets, "DIR"), "sheets", "Folder of release sheets, in the place of the config's: says which devices are behind.")
	f.Var(cli.List(&c.Layout, "FILE"), "layout", "Plan of the backbone, in the place of the config's: held against the network. May be given once for each network.")
	f.Var(cli.Text(&c.Listen, "HOST:PORT"), "listen", "Address of the pages, in the place of the config's; off for none.")
}

// run watches until interrupted.
func (c *runCmd) run(a *app) error {
	hangup := make(chan os.Signal, 1) // before anything else: a hangup while starting must not end the program
	signal.Notify(hangup, syscall.SIGHUP)
	defer signal.Stop(hangup)
	cfg, err := c.load()
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
		if err := daemon.CheckLayouts(&cfg, backboneOf); err != nil {
			return badLayout(err)
		}
		if err := daemon.CheckFiles(&cfg); err != nil {
			return err
		}
		_, err := fmt.Fprintf(a.stdout, "%s: in order\n", orDefaults(c.Config))
		return err
	}
	return a.watch(cfg, nil, func(d *daemon.Daemon) error {
		d.SetLoader(c.load)
		go reloadOnHangup(a.ctx, d, hangup)
		return nil
	})
}

// load reads the config with what the command line puts in its place.
func (c *runCmd) load() (config.Config, error) {
	cfg, err := loadConfig(c.Config, c.Sources, c.Ask)
	if err != nil {
		return cfg, err
	}
	if err := useSheets(&cfg, c.Sheets); err != nil {
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

// reloadOnHangup reads the config again on each SIGHUP, until ctx ends. One that cannot be used leaves the present one in force.
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

var errNoSource = cli.WithHint(fmt.Errorf("no source"), "name one, such as can0, on the command line or under sources in the config file")

func orDefaults(file string) string {
	if file == "" {
		return "defaults"
	}
	return file
}

// watch runs the daemon until interrupted, with layouts in the place of those that the config names, if there are any. started is called
// before with the daemon; it may be nil.
func (a *app) watch(cfg config.Config, layouts []*backbone.Layout, started func(*daemon.Daemon) error) error {
	if len(cfg.Sources) == 0 {
		return errNoSource
	}
	log := a.log(cfg.Log)
	d, err := daemon.New(daemon.Options{Config: cfg, Layouts: layouts, Open: a.opener(true), Later: a.openerOf(true, true), Log: log.logger(), SetLog: log.set, Version: cli.Version()})
	if err != nil {
		return err
	}
	defer d.Stop()
	if started != nil {
		if err := started(d); err != nil {
			return err
		}
	}
	return d.Run(a.ctx)
}
