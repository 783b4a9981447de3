package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"muster/internal/cli"

	"github.com/alecthomas/kong"
	"github.com/rs/zerolog"
	"golang.org/x/term"
)

// commands are the subcommands, each in a file of its own.
type commands struct {
	Run          runCmd          `cmd:"" help:"Keep the fleet: message server, streams and pages."`
	Enroll       enrollCmd       `cmd:"" help:"Let a boat in: one credentials file for its board."`
	Revoke       revokeCmd       `cmd:"" help:"Shut a boat out."`
	Boats        boatsCmd        `cmd:"" help:"List the boats that were let in."`
	Move         moveCmd         `cmd:"" help:"Copy everything from one message server to another."`
	ServerConfig serverConfigCmd `cmd:"" help:"Print the config of a message server outside, which trusts the same boats."`
	HubCreds     hubCredsCmd     `cmd:"" name:"hub-creds" help:"Make credentials for a hub on another machine."`
	Version      cli.VersionCmd  `cmd:"" help:"Print the version."`

	ShowVersion cli.VersionFlag `name:"version" help:"Print the version and end."`
}

// app is what the subcommands get from outside.
type app struct {
	ctx    context.Context // ends with an interrupt
	stdout io.Writer
	stderr io.Writer

	ended bool // the parser has done what was asked, such as help
}

const description = `Keeps what every boat of a marina reports, hours late if need be, and answers for the whole fleet.

Exit status: 0 done, 2 bad usage or bad input, 3 the message server failed.`

// run parses the arguments and runs the subcommand. It returns the exit status.
func (a *app) run(ctx context.Context, args []string) int {
	a.ctx = ctx
	parser, err := kong.New(&commands{}, kong.Name("muster-hub"), kong.Description(description), kong.Bind(a),
		kong.Writers(a.stdout, a.stderr), kong.Exit(func(int) { a.ended = true }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: true, WrapUpperBound: 100}))
	if err != nil {
		return a.fail(err)
	}
	k, err := parser.Parse(args)
	if a.ended {
		return exitDone
	}
	if err != nil {
		return a.fail(cli.Usage(err, "muster-hub", k))
	}
	return a.fail(k.Run(a))
}

// data is the hub's folder, which most subcommands need.
type data struct {
	Data string `default:"muster-hub-data" env:"MUSTER_HUB_DATA" placeholder:"DIR" help:"Folder of the hub's keys and streams; made when it is missing."`
}

func (d data) trust() string   { return filepath.Join(d.Data, "trust") }
func (d data) streams() string { return filepath.Join(d.Data, "streams") }
func (d data) lock() string    { return filepath.Join(d.Data, "running") }

func (a *app) logger(level string) (zerolog.Logger, error) {
	l, err := zerolog.ParseLevel(level)
	if err != nil || level == "" {
		return zerolog.Nop(), cli.WithHint(fmt.Errorf("--log %q: no such level", level), "use debug, info, warn or error")
	}
	out := a.stderr
	if f, ok := a.stderr.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		out = zerolog.ConsoleWriter{Out: f, TimeFormat: time.TimeOnly, NoColor: os.Getenv("NO_COLOR") != ""}
	}
	return zerolog.New(out).Level(l).With().Timestamp().Logger(), nil
}
