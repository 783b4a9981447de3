package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"muster/internal/backbone"
	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/sim"
)

type demoCmd struct {
	Scenario string
	Listen   string
}

func newDemo(a *app) *cobra.Command {
	c := demoCmd{Scenario: "demo"}
	cmd := &cobra.Command{
		Use: "demo [SCENARIO]", Short: "Show a simulated boat and its pages; nothing to install",
		Long: "Simulate a boat in real time and watch it, in one process. SCENARIO is the name of a built-in scenario or a file. Default: demo.",
		Example: `  muster demo
  muster demo fifty
  muster demo --listen 127.0.0.1:0`,
		Args: cobra.MaximumNArgs(1), ValidArgsFunction: scenarios,
		RunE: func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				c.Scenario = args[0]
			}
			return c.run(a)
		},
	}
	cmd.Flags().StringVar(&c.Listen, "listen", "127.0.0.1:8632", "`HOST:PORT` of the pages")
	return cmd
}

// run shows the boat until interrupted.
func (c *demoCmd) run(a *app) error {
	if err := config.CheckListen(c.Listen, false); err != nil {
		return fmt.Errorf("--listen %w", err)
	}
	scenario, err := sim.Load(a.ctx, c.Scenario)
	if err != nil {
		return err
	}
	cfg, err := loadConfig(a.ctx, "", []string{"sim:" + c.Scenario}, true)
	if err != nil {
		return err
	}
	cfg.Boat.ID, cfg.Boat.Name, cfg.Listen, cfg.Log.Level = "demo", scenario.Boat.Name, c.Listen, "warn"
	var layouts []*backbone.Layout
	if text := sim.Layout(c.Scenario); text != nil {
		l, err := backbone.Parse(a.ctx, "", text)
		if err != nil {
			return err
		}
		layouts = append(layouts, l)
	}
	d, err := a.watcher(cfg, daemon.Options{Layouts: layouts})
	if err != nil {
		return err
	}
	defer d.Stop()
	if scenario.Title != "" {
		fmt.Fprintln(a.stdout, scenario.Title)
	}
	if _, err := fmt.Fprintf(a.stdout, "The boat's pages are on %s until you press Ctrl-C.\n", d.URL()); err != nil {
		return err
	}
	return d.Run(a.ctx)
}
