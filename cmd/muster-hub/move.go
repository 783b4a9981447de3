package main

import (
	"errors"
	"fmt"

	"github.com/spf13/pflag"

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

func newMove(a *app) cli.Command {
	c := moveCmd{Replicas: 3, Log: "info"}
	return cli.Command{Name: "move", Short: "Copy everything from one message server to another.",
		Long: `Copies every message with its id, and the buckets, in order, and counts both ends. It may be broken off and run again: what is there
already is not copied twice. Boats may go on reporting meanwhile.

From the server within to a cluster:

    1. print a config for each node with muster-hub server-config, and start them
    2. muster-hub move --from nats://127.0.0.1:4222 --to tls://hub1:4222,tls://hub2:4222,tls://hub3:4222
    3. point the boats' name for the hub to the new servers
    4. end the hub, start the server within once more as muster-hub run --listen off, and run move again for what came in between
    5. muster-hub run --nats tls://hub1:4222,tls://hub2:4222,tls://hub3:4222 --replicas 3`,
		Flags: c.flags, Run: func() error { return c.run(a) }}
}

func (c *moveCmd) flags(f *pflag.FlagSet) {
	c.data.flags(f)
	f.Var(cli.Text(&c.From, "URL"), "from", "Server to copy from.")
	f.Var(cli.Text(&c.To, "URL,…"), "to", "Servers to copy to.")
	f.Var(cli.Text(&c.FromCreds, "FILE"), "from-creds", "Hub's credentials for the first; this folder's keys by default.")
	f.Var(cli.Text(&c.ToCreds, "FILE"), "to-creds", "Hub's credentials for the others; this folder's keys by default.")
	f.Var(cli.Text(&c.CA, "FILE"), "ca", "Authority that signed their certificates, PEM.")
	f.Var(cli.Int(&c.Replicas, "N"), "replicas", "Copies of everything at the new place: 1, 3 or 5.")
	f.Var(cli.Choice(&c.Log, "LEVEL", "debug", "info", "warn", "error"), "log", "Least level that is logged: debug, info, warn, error.")
	cli.Require(f, "from", "to")
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
		return cli.WithHint(&serverError{err}, "mend that and run the same command again: it goes on where it was")
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
