package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/backbone"
	"muster/internal/cli"
	"muster/internal/daemon"
	"muster/internal/event"
	"muster/internal/render"
	"muster/internal/sim"
	"muster/internal/sim/fault"
	"muster/internal/tap"
)

type simulateCmd struct {
	Scenario string
	To       string
	Speed    *float64 // nil by default
	factor   float64
	For      time.Duration
	Seed     uint64
	Faults   []string
	Layout   string // of the faults; "" for that of the built-in scenario
	At       string
	Force    bool
}

func newSimulate(a *app) *cobra.Command {
	c := simulateCmd{}
	cmd := &cobra.Command{
		Use: "simulate SCENARIO --to DEST", Short: "Put a simulated boat on a bus or into a file",
		Long: `Put a simulated boat on a bus or into a file, until --for or Ctrl-C. It sends on the bus, and its devices answer requests. SCENARIO is the name
of a built-in scenario (demo, fifty, saturated, faults) or a file.

A fault is written as FAULT at PART, and with "from TIME" if it begins later:

    open at tee 3                        also resistive, short, intermittent, water
    open at cable helm - flybridge       likewise
    open at drop DEVICE                  likewise
    open at connector DEVICE             also resistive, intermittent, water, reversed
    flooding at unit DEVICE              also open, intermittent, brown-out, corrupting, hung, swapped
    missing at terminator POINT          also extra
    open at feed POINT                   also resistive, brown-out, reversed, extra
    open at fuse POINT                   also resistive, intermittent
    open at interface                    also intermittent, corrupting`,
		Example: `  muster simulate demo --to vcan0
  muster simulate demo --to broken.log --for 5m --fault 'open at tee 3 from 90s'
  muster simulate fifty --to quay.log --for 5m
  muster simulate saturated --to udp:239.74.163.2:5000
  muster simulate demo --to 0183+tcp:127.0.0.1:10110
  muster simulate my-boat.yaml --to can0 --speed 2`,
		Args: cobra.ExactArgs(1), ValidArgsFunction: scenarios,
		RunE: func(cmd *cobra.Command, args []string) error {
			c.Scenario = args[0]
			if cmd.Flags().Changed("speed") {
				c.Speed = &c.factor
			}
			return c.run(a)
		},
	}
	f := cmd.Flags()
	f.StringVar(&c.To, "to", "",
		"`DEST`: can0 or vcan0, serial:, udp:, pty: (makes a serial adapter), 0183+tcp: or 0183+udp: (its NMEA 0183 lines), "+
			"or a capture file; its extension sets the format")
	f.Float64Var(&c.factor, "speed", 1,
		"Run `N` times as fast as real time; 0 means as fast as possible, which is the default into a file")
	f.DurationVar(&c.For, "for", 0, "Stop after this `TIME` of the boat, such as 5m")
	f.Uint64Var(&c.Seed, "seed", 0,
		"Seed `N` of the random numbers; another seed gives another run of the same scenario")
	f.StringArrayVar(&c.Faults, "fault", nil, "`FAULT` of the backbone, such as 'open at tee 3'; may be given several times")
	f.StringVar(&c.Layout, "layout", "", "Layout `FILE` that names the parts of --fault. Default: that of the built-in scenario")
	f.StringVar(&c.At, "at", "", "`POINT` of the layout where the interface is connected. Default: the first with a device")
	f.BoolVar(&c.Force, "force", false, "Overwrite an existing file")
	cli.Complete(cmd, "to", destinations)
	cli.Require(cmd, "to")
	return cmd
}

// run plays the scenario.
func (c *simulateCmd) run(a *app) error {
	if c.For < 0 {
		return fmt.Errorf("--for %v: a time cannot be negative: write 30s or 5m", c.For)
	}
	if c.Speed != nil && !(*c.Speed >= 0 && *c.Speed <= math.MaxUint16) {
		return fmt.Errorf("--speed %g: write 0 for as fast as it goes, 1 for the clock's speed, or a factor up to %d",
			*c.Speed, math.MaxUint16)
	}
	scenario, err := sim.Load(a.ctx, c.Scenario)
	if err != nil {
		return err
	}
	if c.For > 0 && (scenario.Duration == 0 || c.For < scenario.Duration) {
		scenario.Duration = c.For
	}
	if err := c.fail(a, scenario); err != nil {
		return err
	}
	if _, _, ok := isLine(c.To); ok {
		return c.toLine(a, scenario)
	}
	if isBus(c.To) {
		return c.toBus(a, scenario)
	}
	return c.toFile(a, scenario)
}

// fail lets the faults of the command line happen to the scenario.
func (c *simulateCmd) fail(a *app, scenario *sim.Scenario) error {
	if len(c.Faults) == 0 {
		if c.Layout != "" || c.At != "" {
			return cli.WithHint(errors.New("--layout and --at go with --fault"), "add a fault, such as --fault 'open at tee 3'")
		}
		return nil
	}
	layout, err := c.layout(a)
	if err != nil {
		return err
	}
	var faults []fault.Fault
	for _, text := range c.Faults {
		f, err := fault.Parse(layout, text)
		if err != nil {
			return fmt.Errorf("--fault: %w", err)
		}
		faults = append(faults, f)
	}
	if _, err := fault.Break(scenario, layout, c.At, c.Seed, faults...); err != nil {
		return fmt.Errorf("--fault: %w", err)
	}
	return nil
}

// layout is that of the command line, or of the built-in scenario.
func (c *simulateCmd) layout(a *app) (*backbone.Layout, error) {
	if c.Layout != "" {
		return loadLayout(a.ctx, c.Layout)
	}
	text := sim.Layout(c.Scenario)
	if text == nil {
		return nil, cli.WithHint(fmt.Errorf("--fault: the scenario %s has no layout", c.Scenario), "add one with --layout; "+layoutHint)
	}
	return backbone.Parse(a.ctx, c.Scenario, text)
}

// isBus separates a bus from a file: files have a suffix.
func isBus(to string) bool {
	scheme, _, found := strings.Cut(to, ":")
	if found && (scheme == "socketcan" || scheme == "serial" || scheme == "udp" || scheme == "pty") {
		return true
	}
	return !found && !strings.ContainsAny(to, `./\`)
}

// speed is the flag, or def without it.
func (c *simulateCmd) speed(def float64) float64 {
	if c.Speed == nil {
		return def
	}
	return *c.Speed
}

func (c *simulateCmd) toFile(a *app, scenario *sim.Scenario) error {
	if _, _, err := captureFormat(c.To); err != nil {
		return err
	}
	speed, start := c.speed(0), event.At(simStart)
	if speed > 0 {
		start = event.At(time.Now())
	} else if scenario.Duration == 0 {
		return cli.WithHint(fmt.Errorf("simulate %s: the scenario has no end", c.Scenario),
			"add --for 5m to write five minutes of it")
	}
	out := &rotation{name: c.To, force: c.Force}
	if err := out.open(); err != nil {
		return err
	}
	return out.finish(a.stderr, sim.Run(a.ctx, sim.NewPlayer(sim.New(scenario, c.Seed, start), speed), out))
}

// bus is a place to send to and to receive others on.
type bus interface {
	tap.Source
	tap.Sender
}

func (c *simulateCmd) toBus(a *app, scenario *sim.Scenario) error {
	var to bus
	var err error
	if path, ok := strings.CutPrefix(c.To, "pty:"); ok {
		if to, err = a.openPTY(path); err != nil {
			return err
		}
	} else if to, err = tap.OpenSender(c.To, tap.Options{Transmit: true}); err != nil {
		return daemon.NewSourceError(c.To, err)
	}
	defer to.Close()
	if len(scenario.Lines) > 0 {
		fmt.Fprintf(a.stderr, "the scenario's NMEA 0183 lines have no place on %s and are left out\n", c.To)
	}
	player := sim.NewPlayer(sim.New(scenario, c.Seed, event.At(time.Now())), c.speed(1))
	ctx, cancel := context.WithCancel(a.ctx)
	defer cancel()
	heard := make(chan error, 1)
	go func() {
		heard <- listen(to, player)
		cancel()
	}()
	sink := &busSink{to: to}
	err = sim.Run(ctx, player, sink)
	stopped := a.ctx.Err() != nil || err == nil && ctx.Err() == nil
	to.Close()
	herr := <-heard
	fmt.Fprintf(a.stderr, "%s frames sent", render.Grouped(sink.sent))
	if sink.refused > 0 {
		fmt.Fprintf(a.stderr, ", %s not taken by %s: %v", render.Grouped(sink.refused), c.To, sink.last)
	}
	fmt.Fprintln(a.stderr)
	if err == nil && !stopped {
		err = herr
	}
	if err != nil {
		return daemon.NewSourceError(c.To, err)
	}
	return nil
}

// listen gives the simulated devices the frames of the bus until it is closed.
func listen(from tap.Source, player *sim.Player) error {
	events := make([]event.Event, 64)
	for {
		n, err := from.Read(events)
		for i := range events[:n] {
			if e := &events[i]; e.Kind == event.KindFrame && !e.Sent {
				player.Inject(e.Frame)
			}
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// busSink puts the simulation's frames on a bus. A bus that is full for a moment loses frames, as a real one does; one
// that takes none for long ends the run.
type busSink struct {
	to      tap.Sender
	sent    uint64
	refused uint64
	run     int   // refused in a row
	last    error // the latest reason
}

const tooManyRefused = 20_000

// Write implements sim.Sink.
func (s *busSink) Write(e *event.Event) error {
	if e.Kind != event.KindFrame || e.Sent {
		return nil
	}
	if err := s.to.Send(e.Frame); err != nil {
		s.refused++
		s.run++
		s.last = err
		if s.run >= tooManyRefused {
			return fmt.Errorf("%d frames in a row were not taken: %w", s.run, err)
		}
		return nil
	}
	s.sent++
	s.run = 0
	return nil
}
