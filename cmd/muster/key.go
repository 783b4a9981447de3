package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/spf13/pflag"

	"muster/internal/cli"
	"muster/internal/snapshot"
)

func newKey(a *app) cli.Command {
	return cli.Command{Name: "key", Short: "Make keys to sign snapshots with.",
		Commands: []cli.Command{newKeyNew(a)}}
}

type keyNewCmd struct {
	Output string
}

func newKeyNew(a *app) cli.Command {
	c := keyNewCmd{}
	return cli.Command{Name: "new", Short: "Make a key to sign snapshots with.",
		Long: `A key is never overwritten.

Examples:

    muster key new -o shop.key
    muster snapshot can0 -o before.json --sign shop.key
    muster verify before.json --key shop.key.pub`,
		Flags: c.flags, Run: func() error { return c.run(a) }}
}

func (c *keyNewCmd) flags(f *pflag.FlagSet) {
	f.VarP(cli.Text(&c.Output, "NAME").Complete(cli.Files), "output", "o", "Writes NAME, to be kept secret, and NAME.pub, to be handed out.")
	cli.Require(f, "output")
}

// run writes both halves, or none.
func (c *keyNewCmd) run(a *app) error {
	public := c.Output + ".pub"
	for _, name := range []string{c.Output, public} {
		if _, err := os.Lstat(name); err == nil {
			return keyExists(name)
		}
	}
	private, pub, err := snapshot.NewKey()
	if err != nil {
		return err
	}
	if err := writeFileMode(c.Output, private, false, 0o600); err != nil {
		return keepKey(err, c.Output)
	}
	if err := writeFile(public, pub, false); err != nil {
		_ = os.Remove(c.Output)
		return keepKey(err, public)
	}
	_, err = fmt.Fprintf(a.stdout, "%s signs; keep it secret and keep a copy\n%s checks; hand it out\n", c.Output, public)
	return err
}

func keepKey(err error, name string) error {
	if errors.Is(err, fs.ErrExist) {
		return keyExists(name)
	}
	return err
}

func keyExists(name string) error {
	return cli.WithHint(fmt.Errorf("write %q: the file exists", name), "choose another name; a key is never overwritten, for what it signed could not be checked any more")
}
