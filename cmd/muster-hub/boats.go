package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"github.com/spf13/pflag"

	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/fleet"
	"muster/internal/fleet/trust"
)

// forceWithin is how long a running hub may take to put a change in force.
const forceWithin = 10 * time.Second

type enrollCmd struct {
	data
	Boat   string
	Output string
	URL    string
	Force  bool
}

func newEnroll(a *app) cli.Command {
	c := enrollCmd{}
	return cli.Command{Name: "enroll", Short: "Let a boat in: one credentials file for its board.",
		Long: `A boat that is enrolled again gets new credentials, and the earlier ones, of a lost board perhaps, are worth nothing any more.

Examples:

    muster-hub enroll wagtail
    muster-hub enroll wagtail --url tls://hub.example.org:4222 -o /media/stick/wagtail.creds`,
		Args: []cli.Arg{
			{Name: "boat", Help: "The boat's id: lower-case letters, digits and hyphens.", One: &c.Boat, Words: cli.Fixed()},
		},
		Flags: c.flags, Run: func() error { return c.run(a) }}
}

func (c *enrollCmd) flags(f *pflag.FlagSet) {
	c.data.flags(f)
	f.VarP(cli.Text(&c.Output, "FILE"), "output", "o", "Where the credentials go; BOAT.creds by default, - for the standard output.")
	f.Var(cli.Text(&c.URL, "URL"), "url", "Where boats reach the hub, for the lines that the board's config needs.")
	f.BoolVar(&c.Force, "force", false, "Overwrite a file that exists.")
}

// run lets a boat in.
func (c *enrollCmd) run(a *app) error {
	if err := fleet.CheckBoatID(c.Boat); err != nil {
		return err
	}
	if c.URL != "" {
		if err := config.CheckHubURL(c.URL); err != nil {
			return fmt.Errorf("--url: %w", err)
		}
	}
	if err := c.writable(); err != nil {
		return err
	}
	t, err := trust.Open(c.trust())
	if err != nil {
		return c.denied(err)
	}
	name := c.Output
	if name == "" {
		name = c.Boat + ".creds"
	}
	out := os.Stdout
	if name != "-" { // before the boat's earlier credentials lose their worth
		if out, err = createSecret(name, c.Force); err != nil {
			return err
		}
	}
	creds, err := t.Enroll(c.Boat, time.Now())
	if err != nil {
		if name != "-" {
			_ = out.Close()
			_ = os.Remove(name)
		}
		return err
	}
	if name == "-" {
		_, err = a.stdout.Write(creds)
	} else {
		_, err = out.Write(creds)
		err = errors.Join(err, out.Close())
	}
	if err != nil {
		return cli.WithHint(fmt.Errorf("write %q: %w", name, cli.PlainPath(err)), "enroll the boat again: what was written is not whole")
	}
	fmt.Fprintf(a.stderr, "%s is let in%s.\n", c.Boat, c.force(t))
	if name != "-" {
		fmt.Fprintf(a.stderr, "Its credentials are in %s: put them on its board, where only muster can read them, and nowhere else.\n", name)
	}
	if c.URL != "" {
		if name == "-" {
			name = c.Boat + ".creds"
		}
		fmt.Fprintf(a.stderr, "For its muster.yaml:\n\nboat: {id: %s}\nfleet: {url: %q, credentials: %q}\n", c.Boat, c.URL, filepath.Base(name))
	}
	return nil
}

func createSecret(name string, force bool) (*os.File, error) {
	flags := os.O_WRONLY | os.O_CREATE | os.O_EXCL
	if force {
		flags = os.O_WRONLY | os.O_CREATE | os.O_TRUNC
	}
	f, err := os.OpenFile(name, flags, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return nil, cli.WithHint(fmt.Errorf("write %q: the file exists", name), "choose another name with -o, or add --force to overwrite it")
	}
	if errors.Is(err, fs.ErrPermission) {
		return nil, cli.WithHint(fmt.Errorf("write %q: %w", name, cli.PlainPath(err)), "choose another place with -o; enroll also writes to the standard output: -o - > FILE")
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil, cli.WithHint(fmt.Errorf("write %q: %w", name, cli.PlainPath(err)), "make the folder %q first, or choose another place with -o", filepath.Dir(name))
	}
	if err != nil {
		return nil, fmt.Errorf("write %q: %w", name, cli.PlainPath(err))
	}
	if err := f.Chmod(0o600); err != nil { // one that was there may be open to others
		_ = f.Close()
		return nil, fmt.Errorf("write %q: %w", name, cli.PlainPath(err))
	}
	return f, nil
}

// force waits for a running hub to take a change, and says how that went.
func (d data) force(t *trust.Trust) string {
	unlock, free, err := tryLock(d.lock())
	if err == nil && free {
		unlock()
		return ", from when muster-hub run starts: no hub runs on this folder"
	}
	if t.Await(forceWithin) {
		return ", at once"
	}
	return fmt.Sprintf("; but the hub that runs did not put it in force within %v: its log says why", forceWithin)
}

type revokeCmd struct {
	data
	Boat string
}

func newRevoke(a *app) cli.Command {
	c := revokeCmd{}
	return cli.Command{Name: "revoke", Short: "Shut a boat out.",
		Args: []cli.Arg{
			{Name: "boat", Help: "The boat's id.", One: &c.Boat, Words: c.boats},
		},
		Flags: c.flags, Run: func() error { return c.run(a) }}
}

// run shuts a boat out.
func (c *revokeCmd) run(a *app) error {
	if err := c.writable(); err != nil {
		return err
	}
	t, err := c.existing()
	if err != nil {
		return err
	}
	err = t.Revoke(c.Boat, time.Now())
	switch {
	case errors.Is(err, trust.ErrUnknown):
		return cli.WithHint(err, "muster-hub boats lists those that are")
	case err != nil:
		return err
	}
	fmt.Fprintf(a.stderr, "%s is shut out%s.\n", c.Boat, c.force(t))
	return nil
}

// boats are those that were let in, for completion.
func (d *data) boats(string) (words []string, files bool) {
	t, err := d.existing()
	if err != nil {
		return nil, false // told when the command is run
	}
	list, _, _ := t.Boats()
	for _, e := range list {
		words = append(words, e.Boat)
	}
	return words, false
}

func (d data) existing() (*trust.Trust, error) {
	if err := d.folder(); err != nil {
		return nil, err
	}
	t, err := trust.Existing(d.trust())
	if errors.Is(err, fs.ErrNotExist) {
		return nil, cli.WithHint(fmt.Errorf("%q holds no hub's keys", d.Data), "name the hub's folder with --data; muster-hub run or enroll makes one")
	}
	return t, d.denied(err)
}

type boatsCmd struct {
	data
	Format string
}

func newBoats(a *app) cli.Command {
	c := boatsCmd{Format: "text"}
	return cli.Command{Name: "boats", Short: "List the boats that were let in.",
		Flags: c.flags, Run: func() error { return c.run(a) }}
}

func (c *boatsCmd) flags(f *pflag.FlagSet) {
	c.data.flags(f)
	f.Var(cli.Choice(&c.Format, "FORMAT", "text", "json"), "format", "text or json.")
}

// run lists the boats.
func (c *boatsCmd) run(a *app) error {
	t, err := c.existing()
	if err != nil {
		return err
	}
	list, _, err := t.Boats()
	if err != nil {
		return err
	}
	if c.Format == "json" {
		e := json.NewEncoder(a.stdout)
		e.SetIndent("", "  ")
		if list == nil {
			list = []trust.Enrolment{}
		}
		return e.Encode(list)
	}
	w := tabwriter.NewWriter(a.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "BOAT\tENROLLED\tREVOKED")
	for _, e := range list {
		revoked := ""
		if !e.Revoked.IsZero() {
			revoked = e.Revoked.Format(time.RFC3339)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\n", e.Boat, e.Enrolled.Format(time.RFC3339), revoked)
	}
	return w.Flush()
}

type hubCredsCmd struct {
	data
	Output string
	Force  bool
}

func newHubCreds(a *app) cli.Command {
	c := hubCredsCmd{}
	return cli.Command{Name: "hub-creds", Short: "Make credentials for a hub on another machine.",
		Flags: c.flags, Run: func() error { return c.run(a) }}
}

func (c *hubCredsCmd) flags(f *pflag.FlagSet) {
	c.data.flags(f)
	f.VarP(cli.Text(&c.Output, "FILE"), "output", "o", "Where the credentials go.")
	f.BoolVar(&c.Force, "force", false, "Overwrite a file that exists.")
	cli.Require(f, "output")
}

// run makes credentials for a hub on another machine.
func (c *hubCredsCmd) run(a *app) error {
	t, err := c.existing()
	if err != nil {
		return err
	}
	creds, err := t.HubCreds()
	if err != nil {
		return err
	}
	f, err := createSecret(c.Output, c.Force)
	if err != nil {
		return err
	}
	_, err = f.Write(creds)
	if err := errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("write %q: %w", c.Output, cli.PlainPath(err))
	}
	fmt.Fprintf(a.stderr, "%s opens the whole fleet: give it to a hub's machine, as muster-hub run --nats URL --creds FILE, and to nobody else.\n", c.Output)
	return nil
}
