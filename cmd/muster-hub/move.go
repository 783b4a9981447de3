package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/fleet/hub"
)

type moveCmd struct {
	data
	From      string
	To        string
	FromCreds string
	ToCreds   string
	CA        string
	Replicas  int
	Log       string
}

func newMove(a *app) *cobra.Command {
	c := moveCmd{}
	cmd := &cobra.Command{
		Use: "move --from URL --to URL,...", Short: "Copy everything from one message server to another",
		Long: `Copy every message with its id, and the buckets, in order, and count both ends. The command can be interrupted and run again: what was copied is
not copied twice. Boats can report meanwhile.

From the server inside to a cluster:

1. Print a config for each node with muster-hub server-config, and start the nodes.
2. Run muster-hub move --from nats://127.0.0.1:4222 --to tls://hub1:4222,tls://hub2:4222,tls://hub3:4222
3. Point the boats' name for the hub to the new servers.
4. Stop the hub. Start the server inside once more with muster-hub run --listen off, and run move again to copy what arrived meanwhile.
5. Run muster-hub run --nats tls://hub1:4222,tls://hub2:4222,tls://hub3:4222 --replicas 3`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return c.run(a) },
	}
	f := cmd.Flags()
	c.data.flags(cmd)
	f.StringVar(&c.From, "from", "", "`URL` of the server to copy from")
	f.StringVar(&c.To, "to", "", "`URL,...` of the servers to copy to")
	f.StringVar(&c.FromCreds, "from-creds", "", "`FILE` with the hub's credentials for --from. Default: this folder's keys")
	f.StringVar(&c.ToCreds, "to-creds", "", "`FILE` with the hub's credentials for --to. Default: this folder's keys")
	f.StringVar(&c.CA, "ca", "", "PEM `FILE` of the authority that signed their certificates")
	f.IntVar(&c.Replicas, "replicas", 3, "Copies of everything at the new place, `N` being 1, 3 or 5")
	cli.Choice(cmd, &c.Log, "log", "info", "Minimum log `LEVEL`", "debug", "info", "warn", "error")
	cli.Require(cmd, "from", "to")
	return cmd
}

// run copies.
func (c *moveCmd) run(a *app) error {
	if c.Replicas != 1 && c.Replicas != 3 && c.Replicas != 5 {
		return fmt.Errorf("--replicas %d: give 1, 3 or 5", c.Replicas)
	}
	if err := errors.Join(checkServers("--from", c.From), checkServers("--to", c.To), checkCA(c.CA)); err != nil {
		return err
	}
	log, err := a.logger(c.Log)
	if err != nil {
		return err
	}
	fromCreds, err := c.creds("--from-creds", c.FromCreds)
	if err != nil {
		return err
	}
	toCreds, err := c.creds("--to-creds", c.ToCreds)
	if err != nil {
		return err
	}
	const name = "muster-hub move"
	from, err := dial(c.From, c.CA, fromCreds, name, log)
	if err != nil {
		return err
	}
	defer from.Close()
	to, err := dial(c.To, c.CA, toCreds, name, log)
	if err != nil {
		return err
	}
	defer to.Close()
	sums, err := hub.Move(a.ctx, from, to, c.Replicas, log)
	for _, s := range sums {
		fmt.Fprintf(a.stdout, "%-20s %d of %d there, %d copied now\n", s.Name, s.There, s.Here, s.Copied)
	}
	if err != nil {
		return cli.WithHint(&serverError{err}, "fix that and run the same command again: it continues where it stopped")
	}
	return nil
}

// creds reads credentials, or makes some from the folder's keys.
func (c *moveCmd) creds(flag, file string) ([]byte, error) {
	if file != "" {
		return readHubCreds(flag, file)
	}
	t, err := c.existing()
	if err != nil {
		return nil, err
	}
	return t.HubCreds()
}
