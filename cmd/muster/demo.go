package main

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/api"
	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/event"
	"muster/internal/sim"
	"muster/internal/tap"
)

type demoCmd struct {
	Scenario string
	Listen   string
	Speed    float64
	Job      bool
}

func newDemo(a *app) *cobra.Command {
	c := demoCmd{Scenario: "demo"}
	cmd := &cobra.Command{
		Use: "demo [SCENARIO]", Short: "Show a simulated boat and its pages; nothing to install",
		Long: "Simulate a boat in real time and watch it, in one process. " +
			"SCENARIO is the name of a built-in scenario or a file. Default: demo.\n\n" + demoStory() + "\n\n" + walkStory,
		Example: `  muster demo
  muster demo --job
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
	cmd.Flags().Float64Var(&c.Speed, "speed", 1, "Run `N` times as fast as real time")
	cmd.Flags().BoolVar(&c.Job, "job", false, "Open a job at its planning step, to walk it to its end on the page Work")
	return cmd
}

// walkStory is what happens in the demo of a job.
const walkStory = `With --job nothing else happens: a job waits at its planning step on the page Work. Make the work order there, and tick the hold points.
Each device of the order is then updated, as by a technician at its own screen. It comes back with the new version and without its settings.
A moment later they are entered again. Then take the snapshot after the work, and close the job.`

// maxSpeed bounds how fast the demo runs: more than this a report cannot keep up with.
const maxSpeed = 60

// filledAfter is when the demo fills its pages: every device is identified by then, and the story has not begun.
const filledAfter = 40 * time.Second

// demoStory is what happens in the demo, and when.
func demoStory() string {
	scenario, err := sim.Load(context.Background(), "demo")
	if err != nil {
		return err.Error() // the tests load it
	}
	return fmt.Sprintf("The demo takes a snapshot at 0:%02d, makes it the baseline, opens a job and follows its work order. "+
		"Then, in minutes and seconds:\n\n  %s", int(filledAfter.Seconds()), strings.Join(scenario.Steps(), "\n  "))
}

// run shows the boat until interrupted.
func (c *demoCmd) run(a *app) error {
	if err := config.CheckListen(c.Listen, false); err != nil {
		return fmt.Errorf("--listen %w", err)
	}
	if !(c.Speed >= 1 && c.Speed <= maxSpeed) {
		return fmt.Errorf("--speed %g: write 1 for the clock's speed, or a factor up to %d", c.Speed, maxSpeed)
	}
	scenario, err := sim.Load(a.ctx, c.Scenario)
	if err != nil {
		return err
	}
	if c.Job {
		scenario.Timeline, scenario.Repeat = nil, 0
	}
	cfg, err := loadConfig(a.ctx, "", []string{"sim:" + c.Scenario}, true)
	if err != nil {
		return err
	}
	cfg.Boat.ID, cfg.Boat.Name, cfg.TimeZone, cfg.Listen, cfg.Log.Level = "demo", scenario.Boat.Name, demoZone, c.Listen, "warn"
	var layouts []*backbone.Layout
	if text := sim.Layout(c.Scenario); text != nil {
		l, err := backbone.Parse(a.ctx, "", text)
		if err != nil {
			return err
		}
		layouts = append(layouts, l)
	}
	sheets := sim.Sheets(c.Scenario)
	began := time.Now()
	player := sim.NewPlayer(sim.New(scenario, 0, event.At(began)), c.Speed)
	d, err := a.watcher(cfg, daemon.Options{Layouts: layouts, Sheets: sheets, ReportEvery: c.of(time.Second),
		Now:  func() time.Time { return began.Add(time.Duration(float64(time.Since(began)) * c.Speed)) },
		Open: func(string, bool) (tap.Source, error) { return player, nil }})
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
	a.showAddress(d)
	ctx, cancel := context.WithCancel(a.ctx)
	var filling sync.WaitGroup
	filling.Go(func() {
		if err := c.fill(ctx, d, sheets != nil); err != nil && ctx.Err() == nil {
			fmt.Fprintln(a.stderr, "demo: the pages Work and Snapshots stay empty:", err)
			return
		}
		if c.Job {
			fmt.Fprintf(a.stdout, "The job waits at its planning step on %s/work.\n", d.URL())
			(&technician{c, d, player, scenario}).work(ctx)
		}
	})
	defer filling.Wait()
	defer cancel()
	return d.Run(ctx)
}

// demoZone is that of the demo boat's berth.
const demoZone = "Europe/London"

// of is how long a time of the boat takes.
func (c *demoCmd) of(boat time.Duration) time.Duration { return time.Duration(float64(boat) / c.Speed) }

// fill gives each page something to show: a snapshot that is the baseline, a device entered by hand, and a job with the work order
// that the scenario's sheets make. With --job, it waits at its planning step.
func (c *demoCmd) fill(ctx context.Context, d *daemon.Daemon, sheets bool) error {
	if !pause(ctx, c.of(filledAfter)) {
		return nil
	}
	kept, err := d.Server().TakeSnapshot()
	if err != nil {
		return err
	}
	if err := d.Server().SetBaseline(ctx, kept.ID); err != nil {
		return err
	}
	if !sheets && !c.Job {
		return nil
	}
	radio := boat.Manual{Role: boat.RoleRadio, Manufacturer: "Gannet Instruments", Model: "VR2 radio", Serial: "VR2-000317",
		Software: "1.12", Place: "Helm", Note: "Not connected to the network", By: "demo"}
	if _, err := d.Desk().AddManual(ctx, radio); err != nil {
		return err
	}
	opening := api.NewJob{By: "demo", Number: "demo-1", Customer: "A. Customer", Place: "Quay", AskedFor: "Update the displays"}
	if err := d.Desk().OpenJob(ctx, opening); err != nil || c.Job {
		return err
	}
	return d.Desk().ActOnJob(ctx, api.JobAct{By: "demo", Do: "plan"})
}
