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

	"github.com/spf13/cobra"

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
	Marina string
	URL    string
	Force  bool
}

func newEnroll(a *app) *cobra.Command {
	c := enrollCmd{}
	cmd := &cobra.Command{
		Use: "enroll BOAT", Short: "Enrol a boat and write its credentials file",
		Long: `Enrol a boat and write its credentials file. BOAT is its id: lower-case letters, digits and hyphens. If the boat was enrolled before, any earlier
credentials stop working.`,
		Example: `  muster-hub enroll wagtail
  muster-hub enroll wagtail --url tls://hub.example.org:4222 -o /media/stick/wagtail.creds`,
		Args: cobra.ExactArgs(1), ValidArgsFunction: cobra.NoFileCompletions,
		RunE: func(_ *cobra.Command, args []string) error { c.Boat = args[0]; return c.run(a) },
	}
	f := cmd.Flags()
	c.data.flags(cmd)
	f.StringVarP(&c.Output, "output", "o", "", "Output `FILE`, or - for standard output. Default: BOAT.creds")
	f.StringVar(&c.Marina, "marina", "", "`NAME` of the marina that the boat is in")
	f.StringVar(&c.URL, "url", "", "`URL` where boats reach the hub, for the lines to add to the boat's config")
	f.BoolVar(&c.Force, "force", false, "Overwrite an existing file")
	return cmd
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
	var out *os.File // written beside, so that the file is there whole or not at all
	if name != "-" { // before the boat's earlier credentials stop working
		if out, err = createSecret(name, c.Force); err != nil {
			return err
		}
		defer os.Remove(out.Name())
	}
	creds, err := t.Enroll(c.Boat, time.Now())
	if err == nil && c.Marina != "" {
		err = t.Place(c.Boat, c.Marina)
	}
	if err != nil {
		return err
	}
	if name == "-" {
		_, err = a.stdout.Write(creds)
	} else {
		_, err = out.Write(creds)
		if err = errors.Join(err, out.Sync(), out.Close()); err == nil {
			err = os.Rename(out.Name(), name)
		}
	}
	if err != nil {
		return cli.WithHint(fmt.Errorf("write %q: %w", name, cli.PlainPath(err)), "enroll the boat again: what was written is not whole")
	}
	fmt.Fprintf(a.stderr, "%s is enrolled%s.\n", c.Boat, c.force(t))
	if name != "-" {
		fmt.Fprintf(a.stderr, "Its credentials are in %s: put them on its boat computer, where only muster can read them, and nowhere else.\n", name)
	}
	if c.URL != "" {
		if name == "-" {
			name = c.Boat + ".creds"
		}
		fmt.Fprintf(a.stderr, "For its muster.yaml:\n\nboat: {id: %s}\nfleet: {url: %q, credentials: %q}\n", c.Boat, c.URL, filepath.Base(name))
	}
	return nil
}

// createSecret makes the file that is to become name, readable by its owner alone.
func createSecret(name string, force bool) (*os.File, error) {
	if _, err := os.Lstat(name); err == nil && !force {
		return nil, cli.WithHint(fmt.Errorf("write %q: the file exists", name), "choose another name with -o, or add --force to overwrite it")
	}
	f, err := os.CreateTemp(filepath.Dir(name), ".muster-*") // mode 0600
	if errors.Is(err, fs.ErrPermission) {
		return nil, cli.WithHint(fmt.Errorf("write %q: %w", name, cli.PlainPath(err)), "choose another place with -o; enroll also writes to the standard output: -o - > FILE")
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil, cli.WithHint(fmt.Errorf("write %q: %w", name, cli.PlainPath(err)), "make the folder %q first, or choose another place with -o", filepath.Dir(name))
	}
	if err != nil {
		return nil, fmt.Errorf("write %q: %w", name, cli.PlainPath(err))
	}
	return f, nil
}

// force waits for a running hub to take a change, and returns how that went.
func (d data) force(t *trust.Trust) string {
	unlock, free, err := tryLock(d.lock())
	if err == nil && free {
		unlock()
		return ", from when muster-hub run starts: no hub runs on this folder"
	}
	if t.Await(forceWithin) {
		return ", at once"
	}
	return fmt.Sprintf("; but the running hub did not apply it within %v: see its log", forceWithin)
}

type revokeCmd struct {
	data
	Boat   string
	Reason string
}

func newRevoke(a *app) *cobra.Command {
	c := revokeCmd{}
	cmd := &cobra.Command{
		Use: "revoke BOAT", Short: "Revoke a boat's access",
		Args: cobra.ExactArgs(1), ValidArgsFunction: c.boats,
		RunE: func(_ *cobra.Command, args []string) error { c.Boat = args[0]; return c.run(a) },
	}
	c.data.flags(cmd)
	cmd.Flags().StringVar(&c.Reason, "reason", "", "Why, in a few `WORDS`; the pages and muster-hub boats show it")
	return cmd
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
	err = t.Revoke(c.Boat, c.Reason, time.Now())
	switch {
	case errors.Is(err, trust.ErrUnknown):
		return cli.WithHint(err, "muster-hub boats lists those that are")
	case err != nil:
		return err
	}
	fmt.Fprintf(a.stderr, "Access of %s is revoked%s.\n", c.Boat, c.force(t))
	return nil
}

// boats completes the id of an enrolled boat.
func (d *data) boats(*cobra.Command, []string, string) (words []cobra.Completion, _ cobra.ShellCompDirective) {
	t, err := d.existing()
	if err != nil {
		return nil, cobra.ShellCompDirectiveNoFileComp // reported when the command is run
	}
	list, _, _ := t.Boats()
	for _, e := range list {
		words = append(words, e.Boat)
	}
	return words, cobra.ShellCompDirectiveNoFileComp
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

func newBoats(a *app) *cobra.Command {
	c := boatsCmd{}
	cmd := &cobra.Command{
		Use: "boats", Short: "List the enrolled boats",
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return c.run(a) },
	}
	c.data.flags(cmd)
	cli.Choice(cmd, &c.Format, "format", "text", "`FORMAT` of the list", "text", "json")
	return cmd
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
	fmt.Fprintln(w, "BOAT\tENROLLED\tREVOKED\tREASON")
	for _, e := range list {
		revoked := ""
		if !e.Revoked.IsZero() {
			revoked = e.Revoked.Format(time.RFC3339)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", e.Boat, e.Enrolled.Format(time.RFC3339), revoked, e.Why)
	}
	return w.Flush()
}

type hubCredsCmd struct {
	data
	Output string
	Force  bool
}

func newHubCreds(a *app) *cobra.Command {
	c := hubCredsCmd{}
	cmd := &cobra.Command{
		Use: "hub-creds -o FILE", Short: "Make credentials for a hub on another computer",
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return c.run(a) },
	}
	f := cmd.Flags()
	c.data.flags(cmd)
	f.StringVarP(&c.Output, "output", "o", "", "Output `FILE`")
	f.BoolVar(&c.Force, "force", false, "Overwrite an existing file")
	cli.Require(cmd, "output")
	return cmd
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
	fmt.Fprintf(a.stderr, "%s opens all of the fleet: give it to a hub's computer only, as muster-hub run --nats URL --creds FILE.\n", c.Output)
	return nil
}
