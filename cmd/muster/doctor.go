package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/tap"
)

// installedConfig is the config file of the Debian package.
const installedConfig = "/etc/muster/muster.yaml"

// state is how something that the doctor looked at is.
type state string

const (
	stateOK    state = "OK"
	stateInfo  state = "info"
	stateFault state = "fault"
)

// symptom is one thing that the doctor looked at.
type symptom struct {
	About  string   `json:"about"` // a source, or this computer
	What   string   `json:"what"`
	State  state    `json:"state"`
	Found  string   `json:"found"`
	Remedy []string `json:"remedy,omitempty"` // commands, or what a person does, in order
}

// faultsError ends a command that found so many faults.
type faultsError int

func (e faultsError) Error() string {
	return number(int(e), "fault") + " found"
}

type doctorCmd struct {
	Source string
	Config string
	Format string
	Ask    bool
	Listen time.Duration
}

func newDoctor(a *app) *cobra.Command {
	c := doctorCmd{}
	cmd := &cobra.Command{
		Use: "doctor [SOURCE]", Short: "Show what is wrong with a source or this computer, and the command that repairs it",
		Long: "Look at a source, and listen to it for a moment: interface, driver, bit rate, state, counters, permissions. " +
			"Look at this\ncomputer: clock, store, service, link to the hub. Each fault comes with its remedy. Nothing is changed " +
			"and nothing is sent.\n\nWithout SOURCE, look at the sources of the config file, or at all CAN interfaces. " +
			"Exit status 1 means that a fault was found.",
		Example: `  muster doctor
  muster doctor can0
  muster doctor can0 --ask
  muster doctor '0183:/dev/ttyUSB0?baud=4800'`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				c.Source = args[0]
			}
			return c.run(a)
		},
	}
	f := cmd.Flags()
	f.BoolVar(&c.Ask, "ask", false, "The source will be used with --ask, so it must be able to send")
	f.StringVarP(&c.Config, "config", "c", "", "Config `FILE`. Default: "+installedConfig+", if it is there")
	f.DurationVar(&c.Listen, "for", 3*time.Second, "Listen to each source for this `TIME`")
	cli.Choice(cmd, &c.Format, "format", "text", "`FORMAT` of the result", "text", "json")
	return cmd
}

func (c *doctorCmd) run(a *app) error {
	if c.Listen <= 0 {
		return errors.New("--for: the time must be more than 0, such as 3s")
	}
	cfg, found := c.configured(a.ctx)
	interfaces, err := tap.CANInterfaces(sysfs)
	if err != nil {
		return err
	}
	all := []symptom{}
	for _, s := range c.sources(cfg, interfaces) {
		all = append(all, a.sourceSymptoms(s, interfaces, c.Listen)...)
	}
	if len(all) == 0 {
		all = append(all, symptom{About: "sources", What: "interface", State: stateFault, Found: "this computer has no CAN interface",
			Remedy: []string{"muster adapters", "muster help boat-computer"}})
	}
	all = append(all, found...)
	all = append(all, systemSymptoms(a.ctx, "/", cfg)...)
	if err := printSymptoms(a.stdout, c.Format, all); err != nil {
		return err
	}
	faults := 0
	for _, s := range all {
		if s.State == stateFault {
			faults++
		}
	}
	if faults > 0 {
		return faultsError(faults)
	}
	return nil
}

// configured reads the config file, and reports how it is. Without one the defaults hold.
func (c *doctorCmd) configured(ctx context.Context) (config.Config, []symptom) {
	file := c.Config
	if file == "" {
		if _, err := os.Stat(installedConfig); err != nil {
			return config.Default(), nil
		}
		file = installedConfig
	}
	s := symptom{About: "this computer", What: "config", State: stateOK, Found: file}
	cfg, err := config.Load(ctx, file)
	if err != nil {
		cfg = config.Default()
		s.State, s.Found = stateFault, err.Error()
		s.Remedy = []string{"muster run --config " + file + " --check"}
	}
	return cfg, []symptom{s}
}

// sources are those to look at.
func (c *doctorCmd) sources(cfg config.Config, interfaces []tap.CANInterface) []config.Source {
	switch {
	case c.Source != "":
		return []config.Source{{Source: c.Source, Ask: c.Ask}}
	case len(cfg.Sources) > 0:
		return cfg.Sources
	}
	var list []config.Source
	for _, i := range interfaces {
		list = append(list, config.Source{Source: i.Name, Ask: c.Ask})
	}
	return list
}

// printSymptoms prints what was found, and the remedy below each fault.
func printSymptoms(w io.Writer, format string, all []symptom) error {
	if format == "json" {
		e := json.NewEncoder(w)
		e.SetIndent("", "  ")
		return e.Encode(all)
	}
	about := ""
	for _, s := range all {
		if s.About != about {
			about = s.About
			fmt.Fprintln(w, boat.Printable(about))
		}
		if _, err := fmt.Fprintf(w, "  %-5s  %-11s  %s\n", s.State, s.What, boat.Printable(s.Found)); err != nil {
			return err
		}
		for _, r := range s.Remedy {
			fmt.Fprintln(w, "         Remedy: "+boat.Printable(r))
		}
	}
	return nil
}
