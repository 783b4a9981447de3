package main

import (
	"context"
	"io"
	"os"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/render"
)

// severities are what --fail-on takes.
var severities = []string{"info", "warning", "critical"}

// app is what the subcommands get from outside.
type app struct {
	ctx    context.Context // ends with an interrupt
	stdin  io.Reader
	stdout io.Writer
	stderr io.Writer
}

const description = `List every device on NMEA 2000 and NMEA 0183 with its software, and report faults and mismatches.

SOURCE is one of:

    can0, socketcan:can0               a CAN interface
    serial:/dev/ttyACM0                an SLCAN adapter
    udp:239.74.163.2:5000              CAN frames by UDP
    0183:/dev/ttyUSB0?baud=4800        an NMEA 0183 port
    0183+tcp:host:port, 0183+udp::port NMEA 0183 by network
    0183+tcp::port                     the same; up to 8 programs or gateways connect to this computer
    FILE                               a capture: candump, pcap, pcapng or NMEA 0183; .gz and .zst are opened
    -                                  standard input
    sim:SCENARIO                       a simulated boat

Exit status: 0 done; 1 with findings at or above --fail-on, or a work order not done; 2 wrong usage or input; 3 a source failed.`

// run parses the arguments and runs the subcommand. It returns the exit status.
func (a *app) run(ctx context.Context, args []string) int {
	a.ctx = ctx
	return a.fail(cli.Run(ctx, a.program(), args, a.stdout, a.stderr))
}

// program is the command line: the subcommands, each in a file of its own.
func (a *app) program() *cobra.Command {
	root := &cobra.Command{Use: "muster", Short: "Audit a boat's electronics: devices, software, health",
		Long: description}
	root.AddCommand(
		newDemo(a), newAudit(a), newExplain(a), newRun(a), newCapture(a), newSimulate(a),
		newSnapshot(a), newVerify(a), newCompare(a),
		newPlan(a), newFollow(a), newNote(a), newServiceRecord(a), newHistory(a),
		newJob(a), newBackbone(a), newLocate(a), newKey(a), newSchema(a), newJoin(a), newAdapters(a), newDoctor(a),
	)
	root.SetHelpCommand(newHelp(a, root))
	pointToHelp(root)
	return root
}

// outputStyle is how text goes to the standard output: wrapped and in colour on a terminal only, and no colour when
// NO_COLOR is set (no-color.org).
func (a *app) outputStyle() render.TextStyle {
	width, ok := cli.Terminal(a.stdout)
	return render.TextStyle{Width: width, Colour: ok && os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb"}
}
