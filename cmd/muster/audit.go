package main

import (
	"fmt"
	"time"

	"github.com/spf13/pflag"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/web"
)

type auditCmd struct {
	Sources []string
	Format  string
	For     time.Duration
	FailOn  string
	Ask     bool
	Sheets  string
	Config  string
}

func newAudit(a *app) cli.Command {
	c := auditCmd{Format: "text"}
	return cli.Command{Name: "audit", Short: "Read sources and print the device report.",
		Long: `Captures are read to their end; live sources for the time of --for, or until you press Ctrl-C.

Examples:

    muster audit quay.log
    muster audit can0 --ask --for 20s
    muster audit quay.pcapng.zst --format json > quay.json
    muster audit quay.log --fail-on warning`,
		Args: []cli.Arg{
			{Name: "source", Help: "What to read: interfaces, ports, captures.", Many: &c.Sources, Words: sources},
		},
		Flags: c.flags, Run: func() error { return c.run(a) }}
}

func (c *auditCmd) flags(f *pflag.FlagSet) {
	f.Var(cli.Choice(&c.Format, "FORMAT", "text", "json", "html"), "format", "text, json or html.")
	f.Var(cli.Duration(&c.For), "for", "Read for so long, such as 30s or 5m. Captures: so much of them.")
	f.Var(cli.Choice(&c.FailOn, "SEVERITY", "info", "warning", "critical"), "fail-on", "End with status 1 when a finding is info, warning or critical, or worse.")
	f.BoolVar(&c.Ask, "ask", false, "Claim an address and ask devices who they are.")
	f.Var(cli.Text(&c.Sheets, "DIR"), "sheets", "Folder of release sheets: says which devices are behind.")
	f.VarP(cli.Text(&c.Config, "FILE"), "config", "c", "Config file with thresholds, maker names and the boat's name.")
}

// run prints the report.
func (c *auditCmd) run(a *app) error {
	if c.For < 0 {
		return fmt.Errorf("--for %v: a time cannot be negative: write 30s or 5m", c.For)
	}
	cfg, err := loadConfig(c.Config, c.Sources, c.Ask)
	if err != nil {
		return err
	}
	if err := useSheets(&cfg, c.Sheets); err != nil {
		return err
	}
	report, err := a.audit(cfg, c.For)
	if report != nil && (err == nil || !report.TakenAt.IsZero()) {
		if werr := a.printReport(report, c.Format); werr != nil {
			return werr
		}
	}
	if err != nil {
		return err
	}
	return failOn(report, boat.Severity(c.FailOn))
}

// audit reads the sources and returns the report. With an error it may still return what was read until then.
func (a *app) audit(cfg config.Config, span time.Duration) (*boat.Report, error) {
	cfg = once(cfg)
	opt := daemon.Options{Config: cfg, Log: a.errorLog(cfg), Version: cli.Version()}
	if replayable(cfg.Sources) {
		if s := endless(cfg.Sources); s != "" && span == 0 {
			return nil, cli.WithHint(fmt.Errorf("audit %s: the scenario has no end", s), "add --for 5m to read five minutes of it")
		}
		bar := a.progress()
		defer bar.done()
		opt.Open = a.opener(false)
		return daemon.Replay(a.ctx, opt, span, bar.set)
	}
	opt.Open = a.opener(true)
	d, err := daemon.New(opt)
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
func (a *app) printReport(r *boat.Report, format string) error {
	switch format {
	case "json":
		text, err := web.EncodeReport(r)
		if err != nil {
			return err
		}
		_, err = a.stdout.Write(text)
		return err
	case "html":
		return web.WriteHTML(a.stdout, r, cli.Version())
	}
	return writeTextReport(a.stdout, r, a.outputStyle())
}

// failOn gives the error that ends with status 1 when alerts that have not cleared are least or worse. "" never fails.
func failOn(r *boat.Report, least boat.Severity) error {
	if least == "" {
		return nil
	}
	n := 0
	for i := range r.Alerts {
		if al := &r.Alerts[i]; al.State != boat.AlertCleared && al.Accepted == "" && al.Severity.Rank() >= least.Rank() {
			n++
		}
	}
	if n == 0 {
		return nil
	}
	return &findingsError{count: n, least: least}
}
