package main

import (
	"context"
	"errors"
	"io/fs"
	"maps"
	"os"
	"strings"
	"time"

	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/sim"
	"muster/internal/tap"
)

// simManufacturers names the invented manufacturers of the built-in scenarios.
var simManufacturers = map[uint16]string{2001: "Larkfin Marine", 2002: "Gannet Instruments", 2003: "Sanderling Power"}

// simStart is when a simulation that does not follow the clock begins, so that it is the same each time.
var simStart = time.Date(2026, 5, 2, 8, 0, 0, 0, time.UTC)

// opener opens sources. Simulated ones are played by the clock when live is set, otherwise as fast as they are read.
func (a *app) opener(live bool) func(spec string, transmit bool) (tap.Source, error) {
	return a.openerOf(live, false)
}

// openerOf is opener; later opens live sources that are not there yet, too.
func (a *app) openerOf(live, later bool) func(spec string, transmit bool) (tap.Source, error) {
	return func(spec string, transmit bool) (tap.Source, error) {
		return tap.Open(spec,
			tap.Options{Transmit: transmit, Later: later, Stdin: a.pipe(), Sim: func(name string) (tap.Source, error) {
				start, speed := event.At(simStart), 0.0
				if live {
					start, speed = event.At(time.Now()), 1
				}
				return openSim(a.ctx, name, start, speed)
			}})
	}
}

// pipe is the reader that "-" represents; nil leaves the real standard input to the source.
func (a *app) pipe() interface{ Read([]byte) (int, error) } {
	if a.stdin == os.Stdin {
		return nil
	}
	return a.stdin
}

func openSim(ctx context.Context, name string, start event.Time, speed float64) (*sim.Player, error) {
	scenario, err := sim.Load(ctx, name)
	if err != nil {
		return nil, err
	}
	return sim.NewPlayer(sim.New(scenario, 0, start), speed), nil
}

// backboneOf is tap.Backbone, for simulations too.
func (a *app) backboneOf(source string) (id string, known bool) {
	name, simulated := strings.CutPrefix(source, "sim:")
	if !simulated {
		return tap.Backbone(source)
	}
	scenario, err := sim.Load(a.ctx, name)
	if err != nil {
		return "", false
	}
	return scenario.Bus, true
}

// replayable reports whether every source can be read at once instead of by the clock.
func replayable(sources []config.Source) bool {
	for _, s := range sources {
		if strings.HasPrefix(s.Source, "sim:") || s.Source == "-" {
			continue
		}
		if fi, err := os.Stat(s.Source); err != nil || !fi.Mode().IsRegular() {
			return false
		}
	}
	return true
}

// endless names a simulated source that has no end of its own, or "".
func endless(ctx context.Context, sources []config.Source) string {
	for _, s := range sources {
		if name, ok := strings.CutPrefix(s.Source, "sim:"); ok {
			if scenario, err := sim.Load(ctx, name); err == nil && scenario.Duration == 0 {
				return s.Source
			}
		}
	}
	return ""
}

// loadConfig reads the config file, or gives the defaults for "", and puts the sources of the command line, if there
// are any, instead of those of the file.
func loadConfig(ctx context.Context, file string, sources []string, ask bool) (config.Config, error) {
	c := config.Default()
	if file != "" {
		var err error
		if c, err = config.Load(ctx, file); err != nil {
			if _, missing := os.Stat(file); errors.Is(missing, fs.ErrNotExist) {
				return c, cli.WithHint(err, "give the path of a config file; deploy/muster.yaml shows every key")
			}
			return c, err
		}
	}
	if len(sources) > 0 {
		c.Sources = nil
		for _, s := range sources {
			c.Sources = append(c.Sources, config.Source{Source: s})
		}
	}
	simulated := false
	for i := range c.Sources {
		c.Sources[i].Ask = c.Sources[i].Ask || ask
		simulated = simulated || strings.HasPrefix(c.Sources[i].Source, "sim:")
	}
	if simulated {
		manufacturers := maps.Clone(simManufacturers)
		maps.Copy(manufacturers, c.Manufacturers)
		c.Manufacturers = manufacturers
	}
	return c, nil
}
