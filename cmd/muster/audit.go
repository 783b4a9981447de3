package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/api"
	"muster/internal/check"
	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/event"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
)

type auditCmd struct {
	Sources []string
	Names   []string
	Format  string
	For     time.Duration
	FailOn  string
	Explain bool
	Ask     bool
	Sheets  string
	Config  string
}

func newAudit(a *app) *cobra.Command {
	c := auditCmd{}
	cmd := &cobra.Command{
		Use: "audit SOURCE...", Short: "List every device and report faults and mismatches",
		Long: "Read sources and print the device report. A capture is read to its end, a live source for the time of --for or until Ctrl-C.",
		Example: `  muster audit quay.log
  muster audit can0 --ask --for 20s
  muster audit quay.pcapng.zst --format json > quay.json
  muster audit quay.log --fail-on warning
  muster audit n2k.log wind.nmea --name backbone --name masthead`,
		Args: cobra.MinimumNArgs(1), ValidArgsFunction: sources,
		RunE: func(_ *cobra.Command, args []string) error { c.Sources = args; return c.run(a) },
	}
	f := cmd.Flags()
	cli.Choice(cmd, &c.Format, "format", "text", "`FORMAT` of the report", "text", "json", "json-v1", "html")
	f.DurationVar(&c.For, "for", 0, "Read for this `TIME`, such as 30s or 5m; of a capture, this much of it")
	cli.Choices(cmd, &c.FailOn, "fail-on",
		"Exit with status 1 if a finding has this `SEVERITY` or a higher one; with unjudged, also if a check needs more time or asking",
		append(slices.Clone(severities), "unjudged")...)
	f.StringArrayVar(&c.Names, "name", nil,
		"`NAME` of the network of a SOURCE, in the order of the sources; a source with several numbers them")
	f.BoolVar(&c.Explain, "explain", false, "Print evidence and remedy of each finding, and what was not judged")
	f.BoolVar(&c.Ask, "ask", false, "Claim an address and ask devices for their product information")
	cli.Dir(cmd, &c.Sheets, "sheets", "`DIR` of release sheets; reports which devices are behind")
	f.StringVarP(&c.Config, "config", "c", "", "Config `FILE` with thresholds, manufacturer names and the boat's name")
	return cmd
}

// run prints the report.
func (c *auditCmd) run(a *app) error {
	if c.For < 0 {
		return fmt.Errorf("--for %v: a time cannot be negative: write 30s or 5m", c.For)
	}
	cfg, err := loadConfig(a.ctx, c.Config, c.Sources, c.Ask)
	if err != nil {
		return err
	}
	if err := useSheets(a.ctx, &cfg, c.Sheets); err != nil {
		return err
	}
	if err := c.nameNetworks(&cfg); err != nil {
		return err
	}
	report, err := a.audit(cfg, c.For)
	if report != nil && (err == nil || !report.TakenAt.IsZero()) {
		if werr := a.printReport(report, c.Format, c.Explain); werr != nil {
			return werr
		}
	}
	if err != nil {
		return err
	}
	if a.ctx.Err() != nil && replayable(cfg.Sources) {
		fmt.Fprintln(a.stderr, "interrupted: the report holds what was read until then")
	}
	if err := nothingReceived(c.Sources, report); err != nil {
		return err
	}
	return failOn(report, c.FailOn)
}

// nameNetworks gives the sources of the command line their names.
func (c *auditCmd) nameNetworks(cfg *config.Config) error {
	if len(c.Names) > len(c.Sources) {
		return fmt.Errorf("--name %q: there are %d names for %s: give each source one name at most", c.Names[len(c.Sources)],
			len(c.Names), number(len(c.Sources), "source"))
	}
	for i, name := range c.Names {
		if name == "" || slices.Contains(c.Names[:i], name) {
			return fmt.Errorf("--name %q: a name must not be empty, nor given twice", name)
		}
		cfg.Sources[i].ID = name
	}
	return nil
}

// audit reads the sources and returns the report. With an error it may still return what was read until then.
func (a *app) audit(cfg config.Config, span time.Duration) (*report.Report, error) {
	cfg = once(cfg)
	opt := daemon.Options{Config: cfg, Log: a.errorLog(cfg), Version: cli.Version()}
	if replayable(cfg.Sources) {
		if s := endless(a.ctx, cfg.Sources); s != "" && span == 0 {
			return nil, cli.WithHint(fmt.Errorf("audit %s: the scenario has no end", s),
				"add --for 5m to read five minutes of it")
		}
		bar := a.progress()
		defer bar.done()
		opt.Open = a.opener(false)
		return daemon.Replay(a.ctx, opt, span, bar.set)
	}
	opt.Open, opt.Recorded = a.opener(true), true
	d, err := daemon.New(a.ctx, opt)
	if err != nil {
		return nil, err
	}
	defer d.Stop()
	if _, ok := cli.Terminal(a.stderr); ok && span == 0 {
		fmt.Fprintln(a.stderr, "listening; press Ctrl-C for the report")
	}
	err = d.RunFor(a.ctx, span)
	return d.Report(), err
}

// printReport writes the report to the standard output.
func (a *app) printReport(r *report.Report, format string, explain bool) error {
	switch format {
	case "json", "json-v1":
		if format == "json-v1" {
			r = r.Version1()
		}
		text, err := api.EncodeReport(r)
		if err != nil {
			return err
		}
		_, err = a.stdout.Write(text)
		return err
	case "html":
		return ui.WriteHTML(a.stdout, r, cli.Version())
	}
	style := a.outputStyle()
	style.Explain = explain
	return render.ReportText(a.stdout, r, style)
}

// failOn gives the error that ends with status 1 when what counts against the boat is as bad as the words of
// --fail-on. "" never fails.
func failOn(r *report.Report, words string) error {
	e := findingsError{}
	for word := range strings.SplitSeq(words, ",") {
		switch s := check.Severity(word); {
		case word == "unjudged" && r.Judged != nil:
			e.unjudged = r.Judged.Unjudged()
		case s.Rank() > 0 && (e.least == "" || s.Rank() < e.least.Rank()):
			e.least = s
		}
	}
	for i := range r.Alerts {
		if al := &r.Alerts[i]; e.least != "" && al.Counts() && al.Severity.Rank() >= e.least.Rank() {
			e.count++
		}
	}
	if e.count == 0 && e.unjudged == 0 {
		return nil
	}
	return &e
}

// nothingReceived is an error when a network, or all sources together, gave nothing: that shows nothing of the boat.
func nothingReceived(sources []string, r *report.Report) error {
	var quiet []string
	for i := range r.Networks {
		n := &r.Networks[i]
		others := slices.ContainsFunc(r.Devices, func(d report.Device) bool { return d.Network == n.ID && !d.Own })
		talkers := slices.ContainsFunc(r.Talkers, func(t report.Talker) bool { return t.Network == n.ID })
		if n.Frames == 0 || n.Kind == event.NMEA2000 && !others && !talkers && n.Live != nil {
			quiet = append(quiet, n.ID)
		}
	}
	if len(r.Networks) == 0 {
		quiet = sources
	}
	if len(quiet) == 0 {
		return nil
	}
	return &daemon.SourceError{Source: quiet[0], Err: cli.WithHint(
		fmt.Errorf("nothing was received on %s", strings.Join(quiet, ", ")), "%s", quietHint)}
}

// quietHint is what to try when nothing is received.
const quietHint = "check that the boat's electronics are on; the bit or baud rate; the connector, CAN-H and CAN-L; the terminators; " +
	"that the interface is up (ip link); of udp:, the group address"
