package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/snapshot"
)

type keyTrustCmd struct {
	Keys string
	Of   snapshot.TrustedKey
	Pub  string // a file, or the key itself
}

func newKeyTrust(a *app) *cobra.Command {
	c := keyTrustCmd{}
	purpose := ""
	cmd := &cobra.Command{
		Use: "trust FILE.pub|KEY --name NAME", Short: "Put a public key with its owner on the list",
		Long: `Put a public key with its owner on the list of trusted keys: the .pub file of muster key new, or the key as muster verify prints it. Take a key only from
its owner's hand, or compare it by telephone. A key that came together with the file that it signed shows nothing.

A key that is on the list already gets the new name and days.`,
		Example: `  muster key trust shop.key.pub --name 'Example Marine Electronics'
  muster key trust shop.key.pub --name 'Example Marine Electronics' --from 2026-01-01 --until 2026-12-31
  muster key trust shop.key.pub --name 'Example Marine Electronics' --keys shop-keys.yaml`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			c.Pub, c.Of.Purpose = args[0], snapshot.Purpose(purpose)
			return c.run(a)
		},
	}
	f := cmd.Flags()
	f.StringVar(&c.Of.Name, "name", "", "`NAME` of the person, shop or boat that the key belongs to")
	cli.Choice(cmd, &purpose, "purpose", string(snapshot.ForWorkshop), "What the key signs `FOR`", snapshot.Purposes()...)
	f.StringVar(&c.Of.From, "from", "", "First `DAY` on which it is trusted, such as 2026-05-02")
	f.StringVar(&c.Of.Until, "until", "", "Last `DAY` on which it is trusted")
	keysFlag(f, &c.Keys)
	cli.Require(cmd, "name")
	return cmd
}

// run adds the key, and writes the file whole or not at all.
func (c *keyTrustCmd) run(a *app) error {
	c.Of.Key = c.Pub
	if _, err := os.Stat(c.Pub); err == nil || strings.HasSuffix(c.Pub, ".pub") {
		text, err := readFile(a.ctx, c.Pub, maxKey)
		if err != nil {
			return fmt.Errorf("%q: %w", c.Pub, err)
		}
		key, err := snapshot.PublicKey(text)
		if err != nil {
			return fmt.Errorf("%q: %w", c.Pub, err)
		}
		c.Of.Key = snapshot.PublicKeyText(key)
	}
	return changeKeys(a, c.Keys, func(keys *snapshot.Keys, name string) (string, error) {
		if err := keys.Trust(c.Of); err != nil {
			return "", err
		}
		return fmt.Sprintf("%s is taken as the key of %s, %s, in %s", c.Of.Key, c.Of.Name, c.Of.Days(), name), nil
	})
}

// changeKeys reads the file of trusted keys, lets change alter it and writes it.
func changeKeys(a *app, named string, change func(keys *snapshot.Keys, name string) (said string, err error)) error {
	name, err := keysFile(named)
	if err != nil {
		return err
	}
	keys := &snapshot.Keys{}
	if _, err := os.Stat(name); err == nil {
		if keys, err = loadKeys(a.ctx, name); err != nil {
			return err
		}
	}
	said, err := change(keys, name)
	if err != nil {
		return err
	}
	text, err := keys.Encode()
	if err != nil {
		return err
	}
	if named == "" {
		if err := os.MkdirAll(filepath.Dir(name), 0o700); err != nil {
			return fmt.Errorf("write %q: %w", name, cli.PlainPath(err))
		}
	}
	if err := writeFile(name, text, true); err != nil {
		return err
	}
	_, err = fmt.Fprintln(a.stdout, boat.Printable(said))
	return err
}

func newKeyDistrust(a *app) *cobra.Command {
	file := ""
	cmd := &cobra.Command{
		Use: "distrust KEY", Short: "Take a key off the list of trusted ones",
		Long: `Take a key off the list of trusted ones. What it signed is then no longer in order. After a key was lost, use muster key trust with --until:
earlier signatures stay in order.`,
		Example: "  muster key distrust 3q2-7wAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA",
		Args:    cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			return changeKeys(a, file, func(keys *snapshot.Keys, name string) (string, error) {
				was := len(keys.Keys)
				keys.Keys = slices.DeleteFunc(keys.Keys, func(t snapshot.TrustedKey) bool { return t.Key == args[0] })
				if len(keys.Keys) == was {
					return "", cli.WithHint(fmt.Errorf("%s has no key %q", name, args[0]), "muster key list shows the keys")
				}
				return args[0] + " is trusted no more", nil
			})
		},
	}
	keysFlag(cmd.Flags(), &file)
	return cmd
}

func newKeyList(a *app) *cobra.Command {
	file := ""
	cmd := &cobra.Command{
		Use: "list", Short: "List the trusted keys", Args: cobra.NoArgs,
		Example: "  muster key list",
		RunE: func(*cobra.Command, []string) error {
			keys, err := loadKeys(a.ctx, file)
			if err != nil {
				return err
			}
			if len(keys.Keys) == 0 {
				_, err := fmt.Fprintln(a.stdout, "no key is trusted: muster key trust takes one")
				return err
			}
			w := tabwriter.NewWriter(a.stdout, 0, 0, 2, ' ', 0)
			for _, t := range keys.Keys {
				fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", t.Key, t.Name, t.Purpose, t.Days())
			}
			return w.Flush()
		},
	}
	keysFlag(cmd.Flags(), &file)
	return cmd
}
