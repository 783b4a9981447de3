package main

import (
	"errors"
	"fmt"
	"path"
	"strings"

	"github.com/spf13/cobra"

	"muster/internal/fleet/broker"
)

type serverConfigCmd struct {
	data
	Name          string
	Listen        string
	TLSCert       string
	TLSKey        string
	Store         string
	Cluster       string
	ClusterListen string
	Route         []string
}

func newServerConfig(a *app) *cobra.Command {
	c := serverConfigCmd{}
	cmd := &cobra.Command{
		Use: "server-config", Short: "Print the config of a message server outside, which trusts the same boats",
		Example: `  muster-hub server-config --name hub1 --cluster marina --route hub2:6222 --route hub3:6222 \
      --tls-cert /etc/nats/cert.pem --tls-key /etc/nats/key.pem > nats-server.conf
  muster-hub run --nats tls://hub1:4222,tls://hub2:4222,tls://hub3:4222 --replicas 3`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return c.run(a) },
	}
	f := cmd.Flags()
	c.data.flags(cmd)
	f.StringVar(&c.Name, "name", "hub1", "`NAME` of the server, unique in the cluster")
	f.StringVar(&c.Listen, "listen", "0.0.0.0:4222", "`HOST:PORT` for boats and hubs")
	f.StringVar(&c.TLSCert, "tls-cert", "", "PEM `FILE` with the certificate on that computer")
	f.StringVar(&c.TLSKey, "tls-key", "", "PEM `FILE` with its key")
	f.StringVar(&c.Store, "store", "/var/lib/nats", "`DIR` of streams on that computer")
	f.StringVar(&c.Cluster, "cluster", "", "`NAME` of the cluster. Default: a single server")
	f.StringVar(&c.ClusterListen, "cluster-listen", "0.0.0.0:6222", "`HOST:PORT` for the other nodes")
	f.StringSliceVar(&c.Route, "route", nil, "`HOST:PORT` of another node; repeat it for each")
	return cmd
}

// run prints the config.
func (c *serverConfigCmd) run(a *app) error {
	if (c.TLSCert == "") != (c.TLSKey == "") {
		return errors.New("--tls-cert and --tls-key go together: give both or none")
	}
	bad := errors.Join(checkAddress("--listen", c.Listen), checkAddress("--cluster-listen", c.ClusterListen))
	for _, address := range c.Route {
		bad = errors.Join(bad, checkAddress("--route", address))
	}
	for _, f := range [][2]string{{"--name", c.Name}, {"--cluster", c.Cluster}} {
		if strings.ContainsFunc(f[1], func(r rune) bool { return r <= ' ' || r > '~' || r == '"' }) || f[1] == "" && f[0] == "--name" {
			bad = errors.Join(bad, fmt.Errorf("%s %q: give letters, digits and hyphens, such as hub1", f[0], f[1]))
		}
	}
	if !path.IsAbs(c.Store) {
		bad = errors.Join(bad, fmt.Errorf("--store %q: give the whole path of a folder, such as /var/lib/nats", c.Store))
	}
	if bad != nil {
		return bad
	}
	if len(c.Route) > 0 && c.Cluster == "" {
		return errors.New("--route needs --cluster NAME, the same on every node")
	}
	t, err := c.existing()
	if err != nil {
		return err
	}
	p, err := t.Papers()
	if err != nil {
		return err
	}
	_, err = fmt.Fprint(a.stdout, broker.Config(broker.Node{Name: c.Name, Listen: c.Listen, TLSCert: c.TLSCert, TLSKey: c.TLSKey, Dir: c.Store,
		Cluster: c.Cluster, ClusterListen: c.ClusterListen, Routes: c.Route}, p))
	return err
}
