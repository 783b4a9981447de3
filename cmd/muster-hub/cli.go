package main

import (
	"cmp"
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

	"github.com/rs/zerolog"
	"github.com/spf13/cobra"
	"golang.org/x/term"

	"muster/internal/cli"
)

// app is what the subcommands get from outside.
type app struct {
	ctx    context.Context // ends with an interrupt
	stdout io.Writer
	stderr io.Writer
}

const description = `Collect the reports of every enrolled boat, even hours late: nothing is lost, and nothing is counted twice. Show which boats need a visit,
which versions they run, and how far a campaign is. The message server and its streams are inside; --nats uses a server or a cluster outside.

The Debian package runs it as the user muster-hub on the folder /var/lib/muster-hub. It listens for this computer only, until
/etc/default/muster-hub gives other addresses. That user enrols a boat:

    sudo -u muster-hub muster-hub enroll wagtail --data /var/lib/muster-hub --url tls://hub.example.org:4222 -o - > wagtail.creds

The folder trust holds the fleet's keys: who has them can enrol boats. Keep a copy of it in a safe place; without it, every boat must be
enrolled again. The folder streams holds what boats sent.

Exit status: 0 done; 2 wrong usage or input; 3 the message server failed.`

// run parses the arguments and runs the subcommand. It returns the exit status.
func (a *app) run(ctx context.Context, args []string) int {
	a.ctx = ctx
	return a.fail(cli.Run(ctx, a.program(), args, a.stdout, a.stderr))
}

// program is the command line: the subcommands, each in a file of its own.
func (a *app) program() *cobra.Command {
	root := &cobra.Command{Use: "muster-hub", Short: "The marina's hub of boats that run muster", Long: description}
	root.AddCommand(newRun(a), newDemo(a), newDoctor(a), newEnroll(a), newRevoke(a), newBoats(a), newMove(a), newServerConfig(a),
		newHubCreds(a))
	return root
}

// data is the hub's folder, which most subcommands need.
type data struct {
	Data string
}

func (d *data) flags(cmd *cobra.Command) {
	preset := cmp.Or(os.Getenv("MUSTER_HUB_DATA"), "muster-hub-data")
	cmd.Flags().StringVar(&d.Data, "data", preset, "`DIR` of the hub's keys and streams, created if missing; also from $MUSTER_HUB_DATA")
}

func (d data) trust() string   { return filepath.Join(d.Data, "trust") }
func (d data) streams() string { return filepath.Join(d.Data, "streams") }
func (d data) lock() string    { return filepath.Join(d.Data, "running") }

// folder refuses what is there and is none.
func (d data) folder() error {
	if fi, err := os.Stat(d.Data); err == nil && !fi.IsDir() {
		return cli.WithHint(fmt.Errorf("--data %q: it is a file, not a folder", d.Data), "name the hub's folder, or one that is not there yet")
	}
	return nil
}

// writable refuses to write as root into the folder of a hub that runs as a user of its own, which could not read it afterwards.
func (d data) writable() error {
	if err := d.folder(); err != nil {
		return err
	}
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
		return cli.WithHint(err, "run it as the user that owns the folder %q", d.Data)
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
