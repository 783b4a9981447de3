package main

import (
	"errors"
	"fmt"
	"path"
	"strings"

	"muster/internal/fleet/broker"
)

type serverConfigCmd struct {
	data
	Name          string   `default:"hub1" help:"Name of the server, unique in the cluster."`
	Listen        string   `default:"0.0.0.0:4222" placeholder:"HOST:PORT" help:"Where boats and hubs reach it."`
	TLSCert       string   `name:"tls-cert" placeholder:"FILE" help:"Certificate on that machine, PEM."`
	TLSKey        string   `name:"tls-key" placeholder:"FILE" help:"Its key."`
	Store         string   `default:"/var/lib/nats" placeholder:"DIR" help:"Folder of streams on that machine."`
	Cluster       string   `help:"Name of the cluster; none for a server alone."`
	ClusterListen string   `name:"cluster-listen" default:"0.0.0.0:6222" placeholder:"HOST:PORT" help:"Where the other nodes reach it."`
	Route         []string `placeholder:"HOST:PORT" help:"Another node; repeat it for each."`
}

// Help shows examples.
func (serverConfigCmd) Help() string {
	return `Examples:

    muster-hub server-config --name hub1 --cluster marina --route hub2:6222 --route hub3:6222 \
        --tls-cert /etc/nats/cert.pem --tls-key /etc/nats/key.pem > nats-server.conf
    muster-hub run --nats tls://hub1:4222,tls://hub2:4222,tls://hub3:4222 --replicas 3`
}

// Run prints the config.
func (c *serverConfigCmd) Run(a *app) error {
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
