package main

import (
	"bytes"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/backbone"
	"muster/internal/cli"
	"muster/internal/locate"
	"muster/internal/render"
	"muster/internal/report"
)

type locateCmd struct {
	Layout   string // "" for none
	Sources  []string
	Readings []string
	At       string
	Age      float64
	Format   string
	For      time.Duration
	Config   string

	Job   string   // folder; "" for none
	Wrong []string // readings of the job that are taken back
	Found string
	How   string
	author
}

func newLocate(a *app) *cobra.Command {
	c := locateCmd{}
	cmd := &cobra.Command{
		Use: "locate [LAYOUT.yaml] SOURCE...", Short: "Show where on the backbone a fault most likely is, and what to measure next",
		Long: `Show where on the backbone a fault most likely is, and what to measure next. SOURCE is a source or a snapshot.
Without a layout, the units that failed together are listed. deploy/examples/layout.yaml shows every key of a layout.

A reading is one of these. PLACE is a point of the layout, "tee 4" for the fourth tee, or a device:

    'PLACE: 11.2 V'                          between NET-S and NET-C
    'signal wires at PLACE: 118 ohm'         between NET-H and NET-L with the power off
    'signal wires at PLACE towards PLACE: open'   the same, of one side only
    'unplugged PLACE: errors gone'           or errors stay
    'current at feed PLACE: 2.1 A'           with a clamp meter
    'checked connector DEVICE: faulty'       or OK; of any part

With --job, each reading goes into the ledger of that job, with where the fault was then. Readings of the job count as well.
--found ends the search. The record of the job prints all of it.`,
		Example: `  muster locate layout.yaml can0 --for 1m
  muster locate layout.yaml quay.log --at helm --reading 'tee 4: 11.2 V'
  muster locate layout.yaml before.json --reading 'signal wires at bow: 118 ohm' --reading 'unplugged wind: errors stay'
  muster locate layout.yaml can0 --for 1m --job 2026-231-wagtail --reading 'tee 4: 11.2 V' --by Ana
  muster locate layout.yaml can0 --for 1m --job 2026-231-wagtail --found 'connector wind: open' --how 'pin 3 was bent; new plug' --by Ana
  muster locate quay.log`,
		Args: cobra.MinimumNArgs(1), ValidArgsFunction: sources,
		RunE: func(_ *cobra.Command, args []string) error {
			if ext := filepath.Ext(args[0]); ext == ".yaml" || ext == ".yml" {
				c.Layout, args = args[0], args[1:]
			}
			c.Sources = args
			return c.run(a)
		},
	}
	f := cmd.Flags()
	f.StringArrayVar(&c.Readings, "reading", nil, "`READING` of a meter, or what was seen; may be given several times")
	f.StringVar(&c.At, "at", "", "`POINT` of the layout where the interface is connected. Default: unknown")
	f.Float64Var(&c.Age, "age", 0, "Age of the installation in `YEARS`. Default: unknown")
	cli.Choice(cmd, &c.Format, "format", "text", "`FORMAT` of the result", "text", "json")
	f.StringVar(&c.Job, "job", "", "`DIR` of the job that the search belongs to")
	f.StringArrayVar(&c.Wrong, "wrong", nil, "`READING` of the job that is taken back; may be given several times")
	f.StringVar(&c.Found, "found", "", "What was at fault, as `PART: FAULT`")
	f.StringVar(&c.How, "how", "", "How it was found, and what was done, in `WORDS`")
	c.flags(cmd)
	f.DurationVar(&c.For, "for", 0, "Read for this `TIME`, such as 30s or 5m; of a capture, this much of it")
	f.StringVarP(&c.Config, "config", "c", "", "Config `FILE` with manufacturer names and the boat's name")
	return cmd
}

// run prints where the fault is.
func (c *locateCmd) run(a *app) error {
	switch {
	case len(c.Sources) == 0:
		return cli.WithHint(fmt.Errorf("locate %s: no source is given", c.Layout), "add a capture, a snapshot or a live source such as can0")
	case c.For < 0:
		return fmt.Errorf("--for %v: a time cannot be negative: write 30s or 5m", c.For)
	case c.Job == "" && len(c.Wrong)+len(c.Found) > 0:
		return fmt.Errorf("--wrong and --found go into a job: add --job DIR")
	case c.Found == "" && c.How != "":
		return fmt.Errorf("--how is about the fault that was found: add --found 'PART: FAULT'")
	case !(c.Age >= 0 && c.Age <= 100):
		return fmt.Errorf("--age %g: write years from 0 to 100", c.Age)
	}
	var layout *backbone.Layout
	var readings []locate.Reading
	if c.Layout != "" {
		var err error
		if layout, err = loadLayout(a.ctx, c.Layout); err != nil {
			return err
		}
		if readings, err = c.readings(layout); err != nil {
			return err
		}
	} else if len(c.Readings)+len(c.Wrong) > 0 || c.At+c.Job+c.Found != "" {
		return cli.WithHint(fmt.Errorf("--reading, --at and --job need a layout, and none is given"), "put the layout first: muster locate layout.yaml %s", c.Sources[0])
	}
	r, readErr := c.report(a)
	if r == nil {
		return readErr
	}
	result := locate.WithoutLayout(r)
	if layout != nil {
		ev, err := locate.Hear(layout, r, readings...)
		if err != nil {
			return cli.WithHint(fmt.Errorf("%s: %w", c.Layout, err), "set the keys boat and network in the layout to the boat and its network")
		}
		opt := locate.Options{At: c.At, Age: c.Age}
		if c.Job != "" {
			if err := c.intoJob(a, layout, ev, opt); err != nil {
				return err
			}
		}
		result = locate.Locate(layout, ev, opt)
	}
	if err := c.write(a, result); err != nil {
		return err
	}
	return readErr
}

func (c *locateCmd) write(a *app, r *locate.Result) error {
	if c.Format == "text" {
		return render.LocateText(a.stdout, r, a.outputStyle())
	}
	var out bytes.Buffer
	if err := encodeJSON(&out, r); err != nil {
		return err
	}
	_, err := a.stdout.Write(out.Bytes())
	return err
}

// readings reads the readings and the place of the interface.
func (c *locateCmd) readings(l *backbone.Layout) (list []locate.Reading, err error) {
	for _, text := range c.Readings {
		r, err := locate.ParseReading(l, text)
		if err != nil {
			return nil, fmt.Errorf("--reading: %w", err)
		}
		list = append(list, r)
	}
	if points := l.Line(); c.At != "" && !slices.Contains(points, c.At) {
		return nil, fmt.Errorf("--at %q: the layout has no such point: use one of %s", c.At, strings.Join(points, ", "))
	}
	return list, nil
}

// report is what the sources show: that of a snapshot, or read now. A network on which nothing is received gives a report and an error.
func (c *locateCmd) report(a *app) (*report.Report, error) {
	if len(c.Sources) == 1 && filepath.Ext(c.Sources[0]) == ".json" {
		s, err := loadSnapshot(a.ctx, c.Sources[0])
		if err != nil {
			return nil, err
		}
		return s.Report, nil
	}
	cfg, err := loadConfig(a.ctx, c.Config, c.Sources, false)
	if err != nil {
		return nil, err
	}
	r, err := a.audit(cfg, c.For)
	if err != nil {
		return nil, err
	}
	return r, nothingReceived(c.Sources, r)
}
