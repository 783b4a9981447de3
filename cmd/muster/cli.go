package main

import (
	"context"
	"io"
	"os"

	"muster/internal/cli"
)

// app is what the subcommands get from outside.
type app struct {
	ctx    context.Context // ends with an interrupt
	stdin  io.Reader
	stdout io.Writer
	stderr io.Writer
}

const description = `Knows every device on a boat's NMEA 2000 backbone and NMEA 0183 ports, and says what does not match.

A SOURCE is can0 · socketcan:can0 · serial:/dev/ttyACM0 · udp:239.74.163.2:5000 · 0183:/dev/ttyUSB0?baud=4800 ·
0183+tcp:host:port · 0183+tcp::port (others connect) · 0183+udp::port · FILE (a capture, .gz and .zst too) · - (standard input) · sim:SCENARIO.

Exit status: 0 done, 1 findings at or above --fail-on or a work order not done, 2 bad usage or bad input, 3 a source failed.`

// run parses the arguments and runs the subcommand. It returns the exit status.
func (a *app) run(ctx context.Context, args []string) int {
	a.ctx = ctx
	return a.fail(a.program().Run(args))
}

// program is the command line: the subcommands, each in a file of its own.
func (a *app) program() *cli.Program {
	return cli.New(cli.Command{Name: "muster", Long: description, Commands: []cli.Command{
		newDemo(a), newAudit(a), newRun(a), newCapture(a), newSimulate(a),
		newSnapshot(a), newVerify(a), newCompare(a),
		newPlan(a), newFollow(a), newNote(a), newServiceRecord(a), newHistory(a),
		newBackbone(a), newKey(a), newSchema(a),
	}}, a.stdout)
}

// outputStyle is how text goes to the standard output: wrapped and in colour on a terminal only, and no colour when
// NO_COLOR is set (no-color.org).
func (a *app) outputStyle() textStyle {
	width, ok := cli.Terminal(a.stdout)
	return textStyle{Width: width, Colour: ok && os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb"}
}
