package main

import (
	"fmt"

	"github.com/spf13/pflag"

	"muster/internal/backbone"
	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/sim"
)

type demoCmd struct {
	Scenario string
	Listen   string
}

func newDemo(a *app) cli.Command {
	c := demoCmd{Scenario: "demo", Listen: "127.0.0.1:8632"}
	return cli.Command{Name: "demo", Short: "Show a simulated boat with its pages, nothing to install.",
		Long: `Plays a simulated boat by the clock and watches it, in one process.

Examples:

    muster demo
    muster demo fifty
    muster demo --listen 127.0.0.1:0`,
		Args: []cli.Arg{
			{Name: "scenario", Help: "Built-in scenario or scenario file.", One: &c.Scenario, Optional: true, Words: scenarios},
		},
		Flags: c.flags, Run: func() error { return c.run(a) }}
}

func (c *demoCmd) flags(f *pflag.FlagSet) {
	f.Var(cli.Text(&c.Listen, "HOST:PORT"), "listen", "Address of the pages.")
}

// run shows the boat until interrupted.
func (c *demoCmd) run(a *app) error {
	if err := config.CheckListen(c.Listen, false); err != nil {
		return fmt.Errorf("--listen %w", err)
	}
	scenario, err := sim.Load(c.Scenario)
	if err != nil {
		return err
	}
	cfg, err := loadConfig("", []string{"sim:" + c.Scenario}, true)
	if err != nil {
		return err
	}
	cfg.Boat.ID, cfg.Boat.Name, cfg.Listen, cfg.Log.Level = "demo", scenario.Boat.Name, c.Listen, "warn"
	var layouts []*backbone.Layout
	if text := sim.Layout(c.Scenario); text != nil {
		l, err := backbone.Parse(text)
		if err != nil {
			return err
		}
		layouts = append(layouts, l)
	}
	return a.watch(cfg, layouts, func(d *daemon.Daemon) error {
		if scenario.Title != "" {
			fmt.Fprintln(a.stdout, scenario.Title)
		}
		_, err := fmt.Fprintf(a.stdout, "The boat's pages are on %s until you press Ctrl-C.\n", d.URL())
		return err
	})
}
