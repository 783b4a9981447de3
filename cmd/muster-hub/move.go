package main

import (
	"errors"
	"fmt"

	"muster/internal/cli"
	"muster/internal/fleet/hub"
)

type moveCmd struct {
	data
	From      string `required:"" placeholder:"URL" help:"Server to copy from."`
	To        string `required:"" placeholder:"URL,…" help:"Servers to copy to."`
	FromCreds string `name:"from-creds" placeholder:"FILE" help:"Hub's credentials for the first; this folder's keys by default."`
	ToCreds   string `name:"to-creds" placeholder:"FILE" help:"Hub's credentials for the others; this folder's keys by default."`
	CA        string `placeholder:"FILE" help:"Authority that signed their certificates, PEM."`
	Replicas  int    `default:"3" help:"Copies of everything at the new place: 1, 3 or 5."`
	Log       string `default:"info" help:"Least level that is logged: debug, info, warn, error."`
}

// Help tells the order of work.
func (moveCmd) Help() string {
	return `Copies every message with its id, and the buckets, in order, and counts both ends. It may be broken off and run again: what is there
already is not copied twice. Boats may go on reporting meanwhile.

From the server within to a cluster:

    1. print a config for each node with muster-hub server-config, and start them
    2. muster-hub move --from nats://127.0.0.1:4222 --to tls://hub1:4222,tls://hub2:4222,tls://hub3:4222
    3. point the boats' name for the hub to the new servers
    4. end the hub, start the server within once more as muster-hub run --listen off, and run move again for what came in between
    5. muster-hub run --nats tls://hub1:4222,tls://hub2:4222,tls://hub3:4222 --replicas 3`
}

// Run copies.
func (c *moveCmd) Run(a *app) error {
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
