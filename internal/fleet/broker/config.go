package broker

import (
	"fmt"
	"path"
	"strings"

	"muster/internal/fleet/trust"
)

// Node is one server outside the hub's process.
type Node struct {
	Name            string   // unique in the cluster
	Listen          string   // host:port for boats and hubs
	TLSCert, TLSKey string   // PEM files on that machine
	Dir             string   // folder of streams and papers
	Cluster         string   // name of the cluster; empty for a server alone
	ClusterListen   string   // host:port for the other nodes
	Routes          []string // host:port of the other nodes
}

// Config writes a nats-server.conf with which a server trusts the same people. nats-server 2.9 and later read it.
func Config(n Node, p trust.Papers) string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("# Made by muster-hub server-config. Holds no secret.")
	line("server_name: %q", n.Name)
	line("listen: %q", n.Listen)
	line("max_payload: %d", payload)
	line("max_pending: %d", maxBehind)
	if n.TLSCert != "" {
		line("tls { cert_file: %q, key_file: %q }", n.TLSCert, n.TLSKey)
	}
	line("\njetstream {\n  store_dir: %q", n.Dir)
	line("  # From 2.10 on, for a server alone: sync_interval: always, so that a power cut loses nothing that was acknowledged.\n}")
	if n.Cluster != "" {
		line("\ncluster {\n  name: %q\n  listen: %q\n  routes: [", n.Cluster, n.ClusterListen)
		for _, r := range routes(n.Routes) {
			line("    %q", r)
		}
		line("  ]\n}")
	}
	line("\noperator: %s\nsystem_account: %s", p.Operator, p.System.Key)
	line("resolver { type: full, dir: %q, allow_delete: false, interval: \"2m\" }", path.Join(n.Dir, "accounts"))
	line("resolver_preload {")
	for _, a := range []trust.Account{p.System, p.Fleet, p.Boats} {
		line("  %s: %s", a.Key, a.JWT)
	}
	line("}")
	return b.String()
}
