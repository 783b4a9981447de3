package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/snapshot"
)

func newKey(a *app) *cobra.Command {
	cmd := &cobra.Command{Use: "key", Short: "Make keys for signing, and keep the list of those that are trusted"}
	cmd.AddCommand(newKeyNew(a), newKeyTrust(a), newKeyDistrust(a), newKeyList(a))
	return cmd
}

type keyNewCmd struct {
	Output string
}

func newKeyNew(a *app) *cobra.Command {
	c := keyNewCmd{}
	cmd := &cobra.Command{
		Use: "new -o NAME", Short: "Make a key for signing snapshots",
		Long: "Make a key for signing snapshots. An existing key is never overwritten.",
		Example: `  muster key new -o shop.key
  muster key trust shop.key.pub --name 'Example Marine Electronics'
  muster snapshot can0 -o before.json --sign shop.key
  muster verify before.json`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return c.run(a) },
	}
	cmd.Flags().StringVarP(&c.Output, "output", "o", "", "Write `NAME` (keep it secret) and NAME.pub (hand it out)")
	cli.Require(cmd, "output")
	return cmd
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
	_, err = fmt.Fprintf(a.stdout, "%s signs; keep it secret and keep a copy\n%s checks; hand it out\n", c.Output,
		public)
	return err
}

func keepKey(err error, name string) error {
	if errors.Is(err, fs.ErrExist) {
		return keyExists(name)
	}
	return err
}

func keyExists(name string) error {
	return cli.WithHint(fmt.Errorf("write %q: the file exists", name),
		"choose another name; a key is never overwritten, because its signatures could then not be verified")
}
