package archtest

import (
	"cmp"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// order is the direction of the data flow, left to right. A package imports only packages of lines above its own.
var order = [][]string{
	{"deploy", "pgn", "internal/event", "internal/input", "internal/input/inputtest", "internal/hosttest"},
	{"internal/transport", "internal/nmea0183", "internal/capture", "internal/quantity"},
	{"internal/node"},
	{"internal/sim"},
	{"internal/tap"},
	{"internal/boat"},
	{"internal/check"},
	{"internal/alert"},
	{"internal/report"},
	{"internal/snapshot", "internal/release", "internal/store", "internal/trend"},
	{"internal/backbone"},
	{"internal/locate"},
	{"internal/sim/fault"},
	{"internal/job"},
	{"internal/render"},
	{"internal/config"},
	{"internal/cli"},
	{"internal/fleet"},
	{"internal/fleet/trust"},
	{"internal/fleet/broker"},
	{"internal/fleet/hub"},
	{"internal/ui", "internal/ui/webtest"},
	{"internal/api"},
	{"internal/pages", "internal/fleet/pages"},
	{"internal/daemon"},
	{"internal/daemon/daemontest"},
	{"cmd/muster", "cmd/muster-hub"},
	{"internal/archtest"},
}

// pure packages do no I/O, start no goroutine, read no clock and log nothing; they import, of ours, only each other.
var pure = []string{"deploy", "pgn", "internal/event", "internal/transport", "internal/nmea0183", "internal/quantity", "internal/boat", "internal/check",
	"internal/alert", "internal/report", "internal/node", "internal/release", "internal/trend"}

// printers are as pure, and work on what packages to their left give them, some of which read files.
var printers = []string{"internal/locate", "internal/render"}

// reader may be imported by pure packages, which read only what they are given.
const reader = "internal/input"

// owners: a third party enters through these packages and no other.
var owners = map[string][]string{
	"github.com/adrianmo/go-nmea":             {"internal/nmea0183"},
	"github.com/russross/blackfriday/v2":      {"internal/pages"},
	"rsc.io/qr":                               {"internal/render"},
	"github.com/nats-io/nats.go":              {"internal/fleet", "internal/fleet/broker", "internal/fleet/hub", "cmd/muster-hub"},
	"github.com/nats-io/nats-server/v2":       {"internal/fleet/broker"},
	"github.com/nats-io/nkeys":                {"internal/fleet", "internal/fleet/trust"},
	"github.com/nats-io/jwt/v2":               {"internal/fleet/trust", "internal/fleet/broker"},
	"github.com/prometheus/client_golang":     {"internal/api", "internal/daemon", "internal/fleet/pages", "cmd/muster-hub"},
	"github.com/prometheus/client_model":      {"internal/api", "internal/daemon"},
	"github.com/spf13/cobra":                  {"cmd/muster", "cmd/muster-hub", "internal/cli"},
	"github.com/goccy/go-yaml":                {reader},
	"github.com/spf13/pflag":                  {"cmd/muster", "cmd/muster-hub", "internal/cli"},
	"github.com/gopacket/gopacket":            {"internal/capture"},
	"github.com/mdlayher/netlink":             {"internal/tap"},
	"go.bug.st/serial":                        {"internal/tap"},
	"golang.org/x/sys/unix":                   {"internal/tap", "internal/store", "internal/daemon", "cmd/muster"},
	"go.etcd.io/bbolt":                        {"internal/store"},
	"github.com/go-pdf/fpdf":                  {"internal/render"},
	"github.com/go-jose/go-jose/v4":           {"internal/snapshot"},
	"github.com/gowebpki/jcs":                 {"internal/snapshot", "internal/job"},
	"github.com/coreos/go-systemd/v22/daemon": {"internal/daemon", "cmd/muster-hub"},
	"github.com/chromedp/chromedp":            {"internal/ui/webtest"},
	"github.com/danielgtaylor/huma/v2":        {"internal/api", "internal/fleet/pages"},
}

func rank(name string) int {
	return slices.IndexFunc(order, func(level []string) bool { return slices.Contains(level, name) })
}

func TestImportDirection(t *testing.T) {
	for name, p := range packages(t) {
		mine := rank(name)
		if mine < 0 {
			t.Errorf("package %s has no place in the data flow: see order in %s", name, "imports_test.go")
			continue
		}
		for _, path := range p.Imports {
			imported, ours := strings.CutPrefix(path, module)
			if !ours {
				continue
			}
			if theirs := rank(imported); theirs >= mine {
				t.Errorf("%s imports %s, which is not to its left in the data flow", name, imported)
			}
			if slices.Contains(pure, name) && !slices.Contains(pure, imported) && imported != reader {
				t.Errorf("%s is pure and imports %s, which is not", name, imported)
			}
		}
	}
}

func TestStandardLibraryOnly(t *testing.T) {
	for _, path := range packages(t)["pgn"].Imports {
		if first, _, _ := strings.Cut(path, "/"); strings.Contains(first, ".") {
			t.Errorf("pgn imports %s; it uses the standard library only", path)
		}
	}
}

func TestThirdParties(t *testing.T) {
	for name, p := range packages(t) {
		for _, path := range p.Imports {
			for third, allowed := range owners {
				if (path == third || strings.HasPrefix(path, third+"/")) && !slices.Contains(allowed, name) {
					t.Errorf("%s imports %s, which enters through %s", name, path, cmp.Or(strings.Join(allowed, " or "), "tests alone"))
				}
			}
		}
	}
}

// TestChosenLibraries: the product itself uses each of the libraries that it is built on, not its tests alone.
func TestChosenLibraries(t *testing.T) {
	unused := map[string]bool{"go.einride.tech/can": true, "github.com/adrianmo/go-nmea": true,
		"github.com/prometheus/client_golang/prometheus": true, "github.com/rs/zerolog": true}
	for name, p := range packages(t) {
		if slices.Contains(helpers, name) {
			continue
		}
		for _, path := range p.Imports { // those of tests are not among them
			delete(unused, path)
		}
	}
	for path := range unused {
		t.Errorf("only tests import %s", path)
	}
}

// helpers are packages for the tests of others.
var helpers = []string{"internal/hosttest", "internal/input/inputtest", "internal/ui/webtest", "internal/daemon/daemontest"}

// TestNoTestingInPrograms: nothing that ships links the test framework.
func TestNoTestingInPrograms(t *testing.T) {
	for name, p := range packages(t) {
		if slices.Contains(helpers, name) {
			continue
		}
		for _, path := range p.Imports {
			if path == "testing" || slices.Contains(helpers, strings.TrimPrefix(path, module)) {
				t.Errorf("%s imports %s outside its tests (%s)", name, path, filepath.Base(p.Dir))
			}
		}
	}
}
