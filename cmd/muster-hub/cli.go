package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
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
	parser, err := a.parser()
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

func (a *app) parser() (*kong.Kong, error) {
	return kong.New(&commands{}, kong.Name("muster-hub"), kong.Description(description), kong.Bind(a),
		kong.Writers(a.stdout, a.stderr), kong.Exit(func(int) { a.ended = true }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: true, WrapUpperBound: 100}))
}

// data is the hub's folder, which most subcommands need.
type data struct {
	Data string `default:"muster-hub-data" env:"MUSTER_HUB_DATA" placeholder:"DIR" help:"Folder of the hub's keys and streams; made when it is missing."`
}

func (d data) trust() string   { return filepath.Join(d.Data, "trust") }
func (d data) streams() string { return filepath.Join(d.Data, "streams") }
func (d data) lock() string    { return filepath.Join(d.Data, "running") }

// writable refuses to write as root into the folder of a hub that runs as a user of its own, which could not read it afterwards.
func (d data) writable() error {
	uid, ok := owner(d.Data)
	if !ok || uid == 0 || os.Geteuid() != 0 {
		return nil
	}
	name := strconv.Itoa(uid)
	if u, err := user.LookupId(name); err == nil {
		name = u.Username
	}
	return cli.WithHint(fmt.Errorf("folder %q belongs to %s, who could not read what root writes there", d.Data, name),
		"run the same as %s: sudo -u %s muster-hub …", name, name)
}

// denied adds the way out to an error of a folder that another user owns.
func (d data) denied(err error) error {
	if errors.Is(err, fs.ErrPermission) {
		return cli.WithHint(err, "run it as the user to whom folder %q belongs", d.Data)
	}
	return err
}

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
