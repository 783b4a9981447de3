package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"

	"muster/internal/hosttest"
)

// outside runs a program of the system on what deploy/ ships, or skips when it is not installed.
func outside(t *testing.T, dir, name, pkg string, args ...string) string {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatalf("%s is not installed: Debian's package %s", name, pkg)
		}
		t.Skipf("%s is not installed", name)
	}
	cmd := exec.Command(name, args...)
	cmd.Dir = filepath.Join("../../deploy", dir)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Errorf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
	return string(out)
}

func TestPrometheusRules(t *testing.T) {
	outside(t, "prometheus", "promtool", "prometheus", "check", "rules", "rules.yaml")
	outside(t, "prometheus", "promtool", "prometheus", "test", "rules", "rules_test.yaml")
	outside(t, "prometheus", "promtool", "prometheus", "check", "rules", "fleet_rules.yaml")
	outside(t, "prometheus", "promtool", "prometheus", "test", "rules", "fleet_rules_test.yaml")
	outside(t, "prometheus", "promtool", "prometheus", "check", "config", "prometheus.yaml")
}

func TestAlertmanagerRoute(t *testing.T) {
	outside(t, "alertmanager", "amtool", "prometheus-alertmanager", "check-config", "alertmanager.yaml")
	for severity, receiver := range map[string]string{"critical": "on-call", "warning": "office", "info": "none"} {
		outside(t, "alertmanager", "amtool", "prometheus-alertmanager", "config", "routes", "test", "--config.file=alertmanager.yaml",
			"--verify.receivers="+receiver, "alertname=silent", "boat=wagtail", "severity="+severity)
	}
}

// TestServiceUnit: systemd reads the units, and its own score of the exposure (0 best, 10 worst) stays where it is.
func TestServiceUnit(t *testing.T) {
	for _, program := range []string{"muster", "muster-hub"} {
		t.Run(program, func(t *testing.T) {
			text, err := os.ReadFile("../../deploy/systemd/" + program + ".service")
			if err != nil {
				t.Fatal(err)
			}
			unit := filepath.Join(t.TempDir(), program+".service")
			// verify requires a program that is there.
			if err := os.WriteFile(unit, []byte(strings.Replace(string(text), "/usr/bin/"+program, "/bin/true", 1)), 0o600); err != nil {
				t.Fatal(err)
			}
			outside(t, ".", "systemd-analyze", "systemd", "verify", "--man=no", unit)
			out := outside(t, ".", "systemd-analyze", "systemd", "security", "--offline=true", "--threshold=20", "--no-pager", unit)
			if m := regexp.MustCompile(`exposure level.*: ([0-9.]+)`).FindStringSubmatch(out); m != nil {
				t.Logf("exposure %s", m[1])
			}
		})
	}
}

// complaints lets a program of systemd read the examples for networks and devices, with some text instead of other,
// in namespaces of its own, and returns its output. It reads until the line that ends with until, or to its end.
func complaints(t *testing.T, until, old, new string, program ...string) (said []string) {
	t.Helper()
	dir := t.TempDir()
	files, err := filepath.Glob("../../deploy/network/*")
	if err != nil || len(files) != 3 {
		t.Fatalf("%q %v", files, err)
	}
	for _, f := range files {
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(f)), []byte(strings.ReplaceAll(readAll(t, f), old, new)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	const script = `set -e; d=$1; shift; mount -t tmpfs none /run; mkdir -p /run/systemd/network /run/udev/rules.d
cp "$d"/*.link "$d"/*.network /run/systemd/network; cp "$d"/*.rules /run/udev/rules.d; exec "$@" 2>&1`
	cmd := exec.Command("unshare", append([]string{"--mount", "--net", "sh", "-c", script, "sh", dir}, program...)...)
	cmd.Env = append(os.Environ(), "SYSTEMD_LOG_LEVEL=debug", "SYSTEMD_LOG_TARGET=console")
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()
	read := false
	for lines := bufio.NewScanner(out); lines.Scan(); {
		line := lines.Text()
		read = read || strings.HasSuffix(line, until)
		if strings.Contains(line, "60-muster-serial.rules:") || strings.Contains(line, "70-can.link:") || strings.Contains(line, "80-can.network:") {
			said = append(said, line)
		}
		if read {
			return said
		}
	}
	t.Fatalf("%s ended before it said %q", program[0], until)
	return nil
}

// TestNetworkFiles: systemd's own network daemon and device manager read the examples without a word, and find a wrong key in each.
func TestNetworkFiles(t *testing.T) {
	const networkd = "/lib/systemd/systemd-networkd"
	for name, pkg := range map[string]string{"unshare": "util-linux", "udevadm": "udev", networkd: "systemd"} {
		if _, err := exec.LookPath(name); err != nil || os.Geteuid() != 0 {
			if os.Getenv("MUSTER_TEST_ALL") == "1" {
				t.Fatalf("%s of Debian's package %s, as root: %v", name, pkg, err)
			}
			t.Skipf("%s is not installed, or this is not root", name)
		}
	}
	for _, tt := range []struct {
		until, old, new string
		program         []string
	}{
		{"Enumeration completed", "BitRate=", "BitRat=", []string{networkd}},
		{"Unload kernel module index.", "Path=", "Pfad=", []string{"udevadm", "test-builtin", "net_setup_link", "/sys/class/net/lo"}},
		{"Unload kernel module index.", "SYMLINK+=", "SYMLINC+=", []string{"udevadm", "test", "--action=add", "/sys/class/net/lo"}},
	} {
		if said := complaints(t, tt.until, "", "", tt.program...); len(said) > 0 {
			t.Errorf("%s says %q", tt.program[0], said)
		}
		if said := complaints(t, tt.until, tt.old, tt.new, tt.program...); len(said) == 0 {
			t.Errorf("%s does not see that %s became %s", tt.program[0], tt.old, tt.new)
		}
	}
}

// panels are what of a dashboard the tests check.
type panels []struct {
	ID      int
	Title   string
	GridPos struct{ X, Y, W, H int }
	Targets []struct{ Expr string }
}

func dashboard(t *testing.T, file string) (uid string, _ panels) {
	t.Helper()
	var board struct {
		UID    string
		Panels panels
	}
	if err := json.Unmarshal([]byte(readAll(t, "../../deploy/grafana/"+file)), &board); err != nil {
		t.Fatal(err)
	}
	return board.UID, board.Panels
}

// TestDashboard: each dashboard's panels have titles and queries, and places that do not overlap.
func TestDashboard(t *testing.T) {
	for _, file := range []string{"muster.json", "fleet.json"} {
		uid, list := dashboard(t, file)
		if uid == "" || len(list) == 0 {
			t.Fatalf("%s: no uid or no panels", file)
		}
		used, ids := map[[2]int]string{}, map[int]bool{}
		for _, p := range list {
			if p.Title == "" || len(p.Targets) == 0 || ids[p.ID] {
				t.Errorf("%s: panel %d %q: no title, no query, or its id twice", file, p.ID, p.Title)
			}
			ids[p.ID] = true
			for x := p.GridPos.X; x < p.GridPos.X+p.GridPos.W; x++ {
				for y := p.GridPos.Y; y < p.GridPos.Y+p.GridPos.H; y++ {
					if other := used[[2]int{x, y}]; other != "" {
						t.Fatalf("%s: %q lies over %q", file, p.Title, other)
					}
					used[[2]int{x, y}] = p.Title
				}
			}
		}
	}
}

// TestDashboardTypes compiles each dashboard against the types that Grafana publishes for it: an unknown key, or a
// value of the wrong kind, is an error.
func TestDashboardTypes(t *testing.T) {
	tsc, err := exec.LookPath("tsc")
	modules := ""
	if err == nil {
		if tsc, err = filepath.EvalSymlinks(tsc); err == nil {
			modules = filepath.Join(filepath.Dir(tsc), "..", "..")
			_, err = os.Stat(filepath.Join(modules, "@grafana", "schema"))
		}
	}
	if err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatalf("npm install -g typescript@5 @grafana/schema: %v", err)
		}
		t.Skipf("typescript or @grafana/schema is not installed: %v", err)
	}
	dir := t.TempDir()
	if err := os.Symlink(modules, filepath.Join(dir, "node_modules")); err != nil {
		t.Fatal(err)
	}
	write := func(name, board string) {
		text := "import type { Dashboard } from \"@grafana/schema\";\nexport const board: Dashboard = " + board + ";\n"
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	boat := readAll(t, "../../deploy/grafana/muster.json")
	write("boat.ts", boat)
	write("fleet.ts", readAll(t, "../../deploy/grafana/fleet.json"))
	write("wrong.ts", strings.Replace(boat, `"gridPos"`, `"gridPoz"`, 1))
	cmd := exec.Command("node", tsc, "--strict", "--noEmit", "--target", "es2022", "--module", "esnext", "--moduleResolution", "bundler", "--skipLibCheck",
		"boat.ts", "fleet.ts", "wrong.ts")
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if text := string(out); err == nil || strings.Count(text, "error") != 1 || !strings.HasPrefix(text, "wrong.ts") || !strings.Contains(text, "gridPoz") {
		t.Errorf("only the wrong key of wrong.ts was to be found: %v\n%s", err, text)
	}
}

// TestQueries: every query of the dashboards and the rules names only metrics that the programs show or the rules record, and is
// PromQL by promtool's judgement.
func TestQueries(t *testing.T) {
	known := map[string]bool{"up": true, "process_resident_memory_bytes": true, "muster_fleet_last_ack_timestamp_seconds": true}
	for _, m := range regexp.MustCompile(`(?m)^# HELP (\S+) `).FindAllStringSubmatch(
		readAll(t, hosttest.Testdata(t, "evidence/metrics-boat.txt"), hosttest.Testdata(t, "evidence/metrics-hub.txt")), -1) {
		known[m[1]] = true
	}
	var queries []string
	for _, file := range []string{"rules.yaml", "fleet_rules.yaml"} {
		var rules struct {
			Groups []struct {
				Rules []struct{ Record, Alert, Expr string }
			}
		}
		if err := yaml.Unmarshal([]byte(readAll(t, "../../deploy/prometheus/"+file)), &rules); err != nil {
			t.Fatal(err)
		}
		for _, g := range rules.Groups {
			for _, r := range g.Rules {
				queries = append(queries, r.Expr)
				if r.Record != "" {
					known[r.Record] = true
				}
			}
		}
	}
	boats := regexp.MustCompile(`"query": "label_values\((\w+),`)
	for _, file := range []string{"muster.json", "fleet.json"} {
		_, list := dashboard(t, file)
		for _, p := range list {
			for _, q := range p.Targets {
				queries = append(queries, strings.ReplaceAll(q.Expr, "$boat", ".*"))
			}
		}
		for _, m := range boats.FindAllStringSubmatch(readAll(t, "../../deploy/grafana/"+file), -1) {
			queries = append(queries, m[1])
		}
	}
	var file strings.Builder
	file.WriteString("groups:\n  - name: queries\n    rules:\n")
	name := regexp.MustCompile(`\b(boat[a-z_]*:)?(muster|process|up)(_[a-z0-9_:]+)?\b`)
	for i, q := range queries {
		bare := regexp.MustCompile(`"[^"]*"`).ReplaceAllString(q, "")
		names := name.FindAllString(bare, -1)
		if len(names) == 0 {
			t.Errorf("%s names no metric", q)
		}
		for _, n := range names {
			if !known[n] {
				t.Errorf("%s asks for %s, which nobody shows", q, n)
			}
		}
		fmt.Fprintf(&file, "      - {record: \"query:%d\", expr: %q}\n", i, q)
	}
	if len(queries) < 30 {
		t.Errorf("only %d queries were found", len(queries))
	}
	rules := filepath.Join(t.TempDir(), "queries.yaml")
	if err := os.WriteFile(rules, []byte(file.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	outside(t, ".", "promtool", "prometheus", "check", "rules", rules)
}

func readAll(t *testing.T, files ...string) string {
	t.Helper()
	var all strings.Builder
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		all.Write(text)
	}
	return all.String()
}
