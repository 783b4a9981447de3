package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/backbone"
	"muster/internal/check"
	"muster/internal/cli"
	"muster/internal/job"
	"muster/internal/render"
)

type backboneCmd struct {
	Layout   string
	Snapshot string
	Format   string
	Output   string
	Job      string
	FailOn   string
	Force    bool
}

func newBackbone(a *app) *cobra.Command {
	c := backboneCmd{}
	cmd := &cobra.Command{
		Use: "backbone LAYOUT [SNAPSHOT]", Short: "Check a backbone layout: lengths, loads, voltages, terminators",
		Long: "Check a backbone layout and, with a snapshot, compare it with what was received. deploy/examples/layout.yaml shows every key of a layout.",
		Example: `  muster backbone layout.yaml
  muster backbone layout.yaml after.json --fail-on warning
  muster backbone layout.yaml after.json --job job.yaml -o commissioning.pdf`,
		Args: cobra.RangeArgs(1, 2),
		RunE: func(_ *cobra.Command, args []string) error {
			c.Layout = args[0]
			if len(args) > 1 {
				c.Snapshot = args[1]
			}
			return c.run(a)
		},
	}
	f := cmd.Flags()
	cli.Choice(cmd, &c.Format, "format", "",
		"`FORMAT` of the result. Default: from the extension of --output, else text", "text", "json", "html", "pdf")
	f.StringVarP(&c.Output, "output", "o", "", "Output `FILE`. Default: standard output")
	f.StringVar(&c.Job, "job", "", "Job `FILE` for the heading of the commissioning report (HTML or PDF)")
	cli.Choice(cmd, &c.FailOn, "fail-on", "", "Exit with status 1 if a finding has this `SEVERITY` or a higher one",
		severities...)
	f.BoolVar(&c.Force, "force", false, "Overwrite an existing file")
	return cmd
}

// run checks the layout.
func (c *backboneCmd) run(a *app) error {
	format, err := c.format()
	if err != nil {
		return err
	}
	if c.Output != "" {
		if err := free(c.Output, c.Force); err != nil {
			return err
		}
	}
	var of *job.Job
	if c.Job != "" {
		if of, err = job.Load(a.ctx, c.Job); err != nil {
			return cli.WithHint(err, "deploy/examples/job.yaml shows every key")
		}
	}
	layout, err := loadLayout(a.ctx, c.Layout)
	if err != nil {
		return err
	}
	audit := backbone.Judge(layout)
	at := time.Now()
	if c.Snapshot != "" {
		s, err := loadSnapshot(a.ctx, c.Snapshot)
		if err != nil {
			return err
		}
		if err := audit.Against(layout, s.Report); err != nil {
			return cli.WithHint(fmt.Errorf("compare %s with %s: %w", c.Layout, c.Snapshot, err),
				"set the keys boat and network in the layout to the boat and its network")
		}
		at = made(s)
	}
	if err := c.write(a, format, audit, of, at); err != nil {
		return err
	}
	least := check.Severity(c.FailOn)
	n := 0
	for _, f := range audit.Findings {
		if c.FailOn != "" && f.Severity.Rank() >= least.Rank() {
			n++
		}
	}
	if n > 0 {
		return &findingsError{count: n, least: least}
	}
	return nil
}

// format is what is asked for, or the format by the output's name.
func (c *backboneCmd) format() (string, error) {
	format := c.Format
	if format == "" {
		var err error
		if format, err = formatOf(c.Output, ".json", ".html", ".pdf"); err != nil {
			return "", err
		}
	}
	switch {
	case format == "pdf" && c.Output == "":
		return "", cli.WithHint(errors.New("--format pdf: a PDF goes into a file"), "add -o commissioning.pdf")
	case c.Job != "" && format != "pdf" && format != "html":
		return "", cli.WithHint(fmt.Errorf("--job: it is the title of a page or a PDF, not of %s", format),
			"add -o commissioning.pdf or commissioning.html, or leave out --job")
	}
	return format, nil
}

func (c *backboneCmd) write(a *app, format string, audit *backbone.Audit, of *job.Job, at time.Time) error {
	var out bytes.Buffer
	var err error
	switch format {
	case "json":
		err = encodeJSON(&out, audit)
	case "html":
		err = render.BackboneHTML(&out, audit, of)
	case "pdf":
		err = render.BackbonePDF(&out, audit, cmp.Or(of, new(job.Job)), at)
	default:
		err = render.BackboneText(&out, audit)
	}
	if err != nil {
		return err
	}
	if c.Output != "" {
		return writeFile(c.Output, out.Bytes(), c.Force)
	}
	_, err = a.stdout.Write(out.Bytes())
	return err
}

// layoutHint is the way out when a layout cannot be used.
const layoutHint = "deploy/examples/layout.yaml shows every key"

// loadLayout reads a layout file. Each mistake in it is an error of its own.
func loadLayout(ctx context.Context, name string) (*backbone.Layout, error) {
	layout, err := backbone.Load(ctx, name)
	if err == nil {
		return layout, nil
	}
	if _, ok := errors.AsType[*fs.PathError](err); ok {
		return nil, cli.WithHint(fmt.Errorf("read %q: %w", name, cli.PlainPath(err)), "give a layout file; "+layoutHint)
	}
	return nil, badLayout(err)
}

// badLayout adds the way out to the mistakes of a layout.
func badLayout(err error) error {
	all := cli.Flatten(err)
	all[len(all)-1] = cli.WithHint(all[len(all)-1], layoutHint)
	return errors.Join(all...)
}
