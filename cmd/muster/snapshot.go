package main

import (
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/nmea0183"
	"muster/internal/report"
	"muster/internal/snapshot"
)

type snapshotCmd struct {
	Source      string
	More        []string // other sources of the same boat
	Output      string
	Sign        string
	KeepCapture string
	For         time.Duration
	Limit       time.Duration
	Ask         bool
	Sheets      string
	Config      string
	TokenFile   string
	Force       bool
	Damaged     bool
}

func newSnapshot(a *app) *cobra.Command {
	c := snapshotCmd{}
	cmd := &cobra.Command{
		Use: "snapshot SOURCE -o FILE", Short: "Take and seal a snapshot of a boat",
		Long: `Take and seal a snapshot of a boat. SOURCE is a source or the http(s) URL of a running muster. The command stops when every device has been
identified, or has failed to answer, at --limit, or with Ctrl-C. A capture or a simulation is read to its end.`,
		Example: `  muster snapshot can0 --ask -o before.json
  muster snapshot can0 --ask -o before.json --sign shop.key --keep-capture before.log.zst
  muster snapshot quay.pcapng.zst -o before.json --sheets sheets
  muster snapshot http://127.0.0.1:8632 -o after.json`,
		Args: cobra.ExactArgs(1), ValidArgsFunction: sources,
		RunE: func(_ *cobra.Command, args []string) error { c.Source = args[0]; return c.run(a) },
	}
	f := cmd.Flags()
	f.StringVarP(&c.Output, "output", "o", "", "Output `FILE`")
	f.StringVar(&c.Sign, "sign", "", "Sign with this `KEY`; muster key new makes one")
	f.StringVar(&c.KeepCapture, "keep-capture", "",
		"Keep the raw traffic in this `FILE` too: .log, .pcapng, .pcap or .nmea. Add .gz or .zst to compress")
	f.DurationVar(&c.For, "for", 0,
		"Listen at least this `TIME`, so that rates are known; of a capture, read this much of it. Default: 10s")
	f.DurationVar(&c.Limit, "limit", time.Minute, "Wait at most this `TIME` for devices to identify themselves")
	f.BoolVar(&c.Ask, "ask", false, "Claim an address and ask devices for their product information")
	cli.Dir(cmd, &c.Sheets, "sheets",
		"`DIR` of release sheets; reports which devices are behind. The snapshot lists the sheets")
	f.StringVarP(&c.Config, "config", "c", "", "Config `FILE` with thresholds, manufacturer names and the boat's name")
	f.StringVar(&c.TokenFile, "token-file", "", "`FILE` whose first line is the token for the URL")
	f.BoolVar(&c.Force, "force", false, "Overwrite existing files")
	f.BoolVar(&c.Damaged, "accept-damaged", false,
		"Take the snapshot of a capture that is cut, damaged or whose clock jumps; the snapshot shows the damage")
	cli.Require(cmd, "output")
	return cmd
}

// leastListening is how long a live source is received at least: the slowest of the usual messages come every 2.5 s, and
// a rate needs a few of them.
const leastListening = 10 * time.Second

// run takes, seals and writes the snapshot.
func (c *snapshotCmd) run(a *app) error {
	if err := c.check(); err != nil {
		return err
	}
	s, err := c.sealed(a)
	if err != nil {
		return err
	}
	data, err := s.Encode()
	if err != nil {
		return err
	}
	if err := writeFile(c.Output, data, c.Force); err != nil {
		return err
	}
	c.printWritten(a, s)
	return nil
}

// sealed takes the snapshot and seals it.
func (c *snapshotCmd) sealed(a *app) (*snapshot.Snapshot, error) {
	key, err := signingKey(a.ctx, c.Sign)
	if err != nil {
		return nil, err
	}
	cfg, err := c.load(a.ctx)
	if err != nil {
		return nil, err
	}
	_, sheets, err := loadSheets(a.ctx, cfg.Sheets)
	if err != nil {
		return nil, err
	}
	report, capture, err := c.take(a, cfg)
	if err != nil {
		return nil, err
	}
	if damage := report.Conclusion().Damage; len(damage) > 0 && !c.Damaged {
		return nil, cli.WithHint(fmt.Errorf("snapshot %s: the recording is damaged: %s", c.Source, strings.Join(damage, ", ")),
			"record it again, or add --accept-damaged: the snapshot then shows the damage")
	}
	s := snapshot.New(report)
	s.Sheets, s.Capture, s.Program = sheets, capture, cli.Version()
	return s, s.Close(key)
}

// signingKey reads the private key of --sign; nil when none is asked for.
func signingKey(ctx context.Context, file string) (ed25519.PrivateKey, error) {
	if file == "" {
		return nil, nil
	}
	text, err := readFile(ctx, file, maxKey)
	if err != nil {
		return nil, cli.WithHint(fmt.Errorf("--sign %q: %w", file, err), "make a key with muster key new -o %s", file)
	}
	key, err := snapshot.PrivateKey(text)
	if err != nil {
		return nil, fmt.Errorf("--sign %q: %w", file, err)
	}
	return key, nil
}

func (c *snapshotCmd) check() error {
	for _, d := range []struct {
		flag  string
		value time.Duration
	}{{"--for", c.For}, {"--limit", c.Limit}} {
		if d.value < 0 {
			return fmt.Errorf("%s %v: a time cannot be negative: write 30s or 5m", d.flag, d.value)
		}
	}
	if err := c.checkSource(); err != nil {
		return err
	}
	if c.KeepCapture != "" {
		if _, _, err := captureFormat(c.KeepCapture); err != nil {
			return err
		}
		if isFile(c.Source) {
			return cli.WithHint(fmt.Errorf("--keep-capture: %s is a capture already", c.Source),
				"leave out --keep-capture; the snapshot notes its digest")
		}
		if err := free(c.KeepCapture, c.Force); err != nil {
			return err
		}
		if filepath.Clean(c.KeepCapture) == filepath.Clean(c.Output) {
			return cli.WithHint(errors.New("-o and --keep-capture name one file"), "give each a name of its own")
		}
	}
	return free(c.Output, c.Force)
}

// checkSource refuses what does not go with the kind of source.
func (c *snapshotCmd) checkSource() error {
	if isURL(c.Source) {
		switch {
		case c.KeepCapture != "":
			return cli.WithHint(errors.New("--keep-capture: a running muster gives its report, not the traffic"),
				"name the source itself, such as can0")
		case c.Ask:
			return cli.WithHint(errors.New("--ask: a running muster asks by its own settings"),
				"leave out --ask, or restart that muster with it")
		case c.Config != "":
			return cli.WithHint(errors.New("--config: a running muster has its own"), "leave out --config")
		}
	} else if c.TokenFile != "" {
		return cli.WithHint(errors.New("--token-file: only a URL asks for a token"), "leave out --token-file")
	}
	return nil
}

// load reads the config with what the command line puts in its place; only the sheets matter to a running muster.
func (c *snapshotCmd) load(ctx context.Context) (config.Config, error) {
	if isURL(c.Source) {
		return config.Config{Sheets: c.Sheets}, nil
	}
	cfg, err := loadConfig(ctx, c.Config, append([]string{c.Source}, c.More...), c.Ask)
	if err == nil {
		err = useSheets(ctx, &cfg, c.Sheets)
	}
	return cfg, err
}

// take gets the report and, where there is one, the capture that it rests on.
func (c *snapshotCmd) take(a *app, cfg config.Config) (*report.Report, *snapshot.File, error) {
	if isURL(c.Source) {
		r, err := c.fetch(a)
		return r, nil, err
	}
	if c.KeepCapture != "" {
		return c.takeWithCapture(a, cfg)
	}
	report, err := c.readSource(a, cfg, nil)
	if err != nil {
		return nil, nil, err
	}
	if isFile(c.Source) && c.For == 0 {
		f, err := digestFile(c.Source)
		return report, &f, err
	}
	return report, nil, nil
}

// takeWithCapture keeps the traffic and makes the report from what was kept, so that it can be made again.
func (c *snapshotCmd) takeWithCapture(a *app, cfg config.Config) (*report.Report, *snapshot.File, error) {
	k, err := newKeeper(c.KeepCapture)
	if err != nil {
		return nil, nil, err
	}
	defer k.discard()
	heard, err := c.readSource(a, cfg, k)
	if err != nil {
		return nil, nil, err
	}
	file, err := k.keep(c.KeepCapture, c.Force)
	if err != nil {
		return nil, nil, err
	}
	if k.skipped > 0 {
		fmt.Fprintf(a.stderr, "%s: %d events have no place in this format\n", c.KeepCapture, k.skipped)
	}
	// Ctrl-C ended the listening, not this.
	report, err := a.recompute(context.WithoutCancel(a.ctx), cfg, c.KeepCapture, heard)
	return report, &file, err
}

// readSource reads the source; k, when not nil, keeps its traffic.
func (c *snapshotCmd) readSource(a *app, cfg config.Config, k *keeper) (*report.Report, error) {
	cfg = once(cfg)
	live := !replayable(cfg.Sources)
	opt := daemon.Options{Config: cfg, Log: a.errorLog(cfg), Version: cli.Version(), Open: k.around(a.opener(live)), Recorded: true}
	if !live {
		if s := endless(a.ctx, cfg.Sources); s != "" && c.For == 0 {
			return nil, cli.WithHint(fmt.Errorf("snapshot %s: the scenario has no end", s),
				"add --for 5m to read five minutes of it")
		}
		bar := a.progress()
		defer bar.done()
		r, err := daemon.Replay(a.ctx, opt, c.For, bar.set)
		if err == nil && a.ctx.Err() != nil {
			err = fmt.Errorf("snapshot %s: interrupted before its end, so no snapshot was written", c.Source)
		}
		return r, err
	}
	d, err := daemon.New(a.ctx, opt)
	if err != nil {
		return nil, err
	}
	defer d.Stop()
	least, limit := c.times()
	ctx, cancel := context.WithTimeout(a.ctx, limit)
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- d.RunFor(ctx, 0) }()
	bar := a.identified()
	defer bar.done()
	began := time.Now()
	tick := time.NewTicker(250 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case err := <-ended:
			r := d.Report()
			if err == nil && silent(r) {
				err = &daemon.SourceError{Source: c.Source, Err: cli.WithHint(fmt.Errorf("nothing was received on %s in %v", c.Source, time.Since(began).Round(time.Second)),
					"check that the boat's electronics are on, the connector, and the bit rate")}
			}
			return r, err
		case <-tick.C:
			r := d.Report()
			if bar.set(r); complete(r) && time.Since(began) >= least+c.asking(r) {
				cancel()
			}
		}
	}
}

// times are the shortest and the longest time to listen to a live source.
func (c *snapshotCmd) times() (least, limit time.Duration) {
	least = leastListening
	if c.For > 0 {
		least = c.For
	}
	return least, max(least, c.Limit)
}

// asking is how long it takes to ask each talker of a line once, which are asked in turn. Most never answer, so there
// is no wait for more.
func (c *snapshotCmd) asking(r *report.Report) (more time.Duration) {
	for i := range r.Talkers {
		if t := &r.Talkers[i]; c.Ask && c.For == 0 && t.Identity == nil && t.Unanswered == "" && t.Talker != "P" {
			more += nmea0183.AskPause
		}
	}
	return more
}

func silent(r *report.Report) bool {
	return len(r.Talkers) == 0 && !slices.ContainsFunc(r.Devices, func(d report.Device) bool { return !d.Own })
}

// complete reports whether there are devices, and each is identified or has failed to answer.
func complete(r *report.Report) bool { return !silent(r) && len(snapshot.Waiting(r)) == 0 }

// printWritten prints to standard error what was written, and which devices are not identified.
func (c *snapshotCmd) printWritten(a *app, s *snapshot.Snapshot) {
	r := s.Report
	fmt.Fprintf(a.stderr, "%s: %s, %s, SHA-256 %s\n", c.Output, number(count(r), "device"),
		number(len(r.Talkers), "talker"), s.Seal.SHA256)
	if s.Complete {
		return
	}
	var names []string
	for _, id := range s.Waiting {
		if d := r.Device(id); d != nil {
			names = append(names, boat.Printable(d.Label()))
		}
	}
	fmt.Fprintf(a.stderr, "not complete: %s without model and software: %s\n", number(len(names), "device"),
		strings.Join(names, ", "))
	if !c.Ask && !isURL(c.Source) && !isFile(c.Source) {
		fmt.Fprintln(a.stderr, "hint: no device asked them; add --ask, or open the device list on a display meanwhile")
	}
}

func number(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// count is how many devices are aboard, muster itself left out.
func count(r *report.Report) int { return len(r.Aboard()) }

func isFile(name string) bool {
	fi, err := os.Stat(name)
	return err == nil && fi.Mode().IsRegular()
}
