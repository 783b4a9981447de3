package main

import (
	"context"
	"io"
	"os"

	"muster/internal/cli"

	"github.com/alecthomas/kong"
	"golang.org/x/term"
)

// commands are the subcommands, each in a file of its own. A subcommand is a struct of flags with Run(*app) error, and
// with Help() string for its examples.
type commands struct {
	Demo     demoCmd          `cmd:"" help:"Show a simulated boat with its pages, nothing to install."`
	Audit    auditCmd         `cmd:"" help:"Read sources and print the device report."`
	Run      runCmd           `cmd:"" help:"Watch a boat: the daemon with pages, API and metrics."`
	Capture  captureCmd       `cmd:"" help:"Keep the raw traffic of a source in files."`
	Simulate simulateCmd      `cmd:"" help:"Put a simulated boat on a bus or into a file."`
	Snapshot snapshotCmd      `cmd:"" help:"Take and seal a snapshot of a boat."`
	Verify   verifyCmd        `cmd:"" help:"Check the seal of snapshots, and the capture that was kept."`
	Compare  compareCmd       `cmd:"" help:"Say what changed between two snapshots."`
	Plan     planCmd          `cmd:"" help:"Make the work order: which devices to update, in which order, with what."`
	Follow   followCmd        `cmd:"" help:"Watch a work order being worked off, and tick its steps."`
	Note     noteCmd          `cmd:"" help:"Note devices that no network shows."`
	Service  serviceRecordCmd `cmd:"" name:"service-record" help:"Write the service record for the invoice."`
	History  historyCmd       `cmd:"" help:"Show a boat's software over time."`
	Backbone backboneCmd      `cmd:"" help:"Judge the plan of a backbone: lengths, loads, voltages, terminators."`
	Key      keyCmd           `cmd:"" help:"Make keys to sign snapshots with."`
	Schema   schemaCmd        `cmd:"" help:"Print the JSON Schema of a file that muster reads or writes."`
	Version  cli.VersionCmd   `cmd:"" help:"Print the version."`

	ShowVersion cli.VersionFlag `name:"version" help:"Print the version and end."`
}

// app is what the subcommands get from outside.
type app struct {
	ctx    context.Context // ends with an interrupt
	stdin  io.Reader
	stdout io.Writer
	stderr io.Writer

	ended bool // the parser has done what was asked, such as help
}

const description = `Knows every device on a boat's NMEA 2000 backbone and NMEA 0183 ports, and says what does not match.

A SOURCE is can0 · socketcan:can0 · serial:/dev/ttyACM0 · udp:239.74.163.2:5000 · 0183:/dev/ttyUSB0?baud=4800 ·
0183+tcp:host:port · 0183+tcp::port (others connect) · 0183+udp::port · FILE (a capture, .gz and .zst too) · - (standard input) · sim:SCENARIO.

Exit status: 0 done, 1 findings at or above --fail-on or a work order not done, 2 bad usage or bad input, 3 a source failed.`

// run parses the arguments and runs the subcommand. It returns the exit status.
func (a *app) run(ctx context.Context, args []string) int {
	a.ctx = ctx
	parser, err := a.parser()
	if err != nil {
		return a.fail(err)
	}
	k, err := parser.Parse(args)
	if a.ended {
		return exitDone
	}
	if err != nil {
		return a.fail(cli.Usage(err, "muster", k))
	}
	return a.fail(k.Run(a))
}

func (a *app) parser() (*kong.Kong, error) {
	return kong.New(&commands{}, kong.Name("muster"), kong.Description(description), kong.Bind(a),
		kong.Writers(a.stdout, a.stderr), kong.Exit(func(int) { a.ended = true }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: true, WrapUpperBound: 100}))
}

// terminal returns the width of a terminal; ok is false when w is none.
func terminal(w any) (width int, ok bool) {
	f, isFile := w.(*os.File)
	if !isFile || !term.IsTerminal(int(f.Fd())) {
		return 0, false
	}
	width, _, err := term.GetSize(int(f.Fd()))
	if err != nil || width < 20 {
		width = 80
	}
	return width, true
}

// outputStyle is how text goes to the standard output: wrapped and in colour on a terminal only, and no colour when
// NO_COLOR is set (no-color.org).
func (a *app) outputStyle() textStyle {
	width, ok := terminal(a.stdout)
	return textStyle{Width: width, Colour: ok && os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb"}
}
