package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
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
}

// TestServiceUnit: systemd reads the unit, and its own score of the exposure (0 best, 10 worst) stays where it is.
func TestServiceUnit(t *testing.T) {
	text, err := os.ReadFile("../../deploy/systemd/muster.service")
	if err != nil {
		t.Fatal(err)
	}
	unit := filepath.Join(t.TempDir(), "muster.service")
	// verify wants a program that is there.
	if err := os.WriteFile(unit, []byte(strings.Replace(string(text), "/usr/bin/muster", "/bin/true", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	outside(t, ".", "systemd-analyze", "systemd", "verify", "--man=no", unit)
	out := outside(t, ".", "systemd-analyze", "systemd", "security", "--offline=true", "--threshold=20", "--no-pager", unit)
	if m := regexp.MustCompile(`exposure level.*: ([0-9.]+)`).FindStringSubmatch(out); m != nil {
		t.Logf("exposure %s", m[1])
	}
}

// TestDashboard: each dashboard is sound JSON, its panels have titles, queries of metrics that exist, and places that do not overlap.
func TestDashboard(t *testing.T) {
	t.Run("boat", func(t *testing.T) {
		checkDashboard(t, "muster.json", readAll(t, "../../internal/daemon/metrics.go", "../../internal/web/metrics.go", "../../deploy/prometheus/rules.yaml"))
	})
	t.Run("fleet", func(t *testing.T) {
		checkDashboard(t, "fleet.json", readAll(t, "../../internal/fleet/pages/metrics.go"))
	})
}

func checkDashboard(t *testing.T, file, known string) {
	t.Helper()
	text, err := os.ReadFile("../../deploy/grafana/" + file)
	if err != nil {
		t.Fatal(err)
	}
	var board struct {
		UID    string
		Panels []struct {
			ID      int
			Title   string
			GridPos struct{ X, Y, W, H int }
			Targets []struct{ Expr string }
		}
	}
	if err := json.Unmarshal(text, &board); err != nil {
		t.Fatal(err)
	}
	if board.UID == "" || len(board.Panels) == 0 {
		t.Fatal("no uid or no panels")
	}
	used, ids := map[[2]int]string{}, map[int]bool{}
	metric := regexp.MustCompile(`(boat[a-z_]*:)?(muster|process)_[a-z0-9_:]+`)
	known += "resident_memory_bytes"
	for _, p := range board.Panels {
		if p.Title == "" || len(p.Targets) == 0 || ids[p.ID] {
			t.Errorf("panel %d %q: no title, no query, or its id twice", p.ID, p.Title)
		}
		ids[p.ID] = true
		for x := p.GridPos.X; x < p.GridPos.X+p.GridPos.W; x++ {
			for y := p.GridPos.Y; y < p.GridPos.Y+p.GridPos.H; y++ {
				if other := used[[2]int{x, y}]; other != "" {
					t.Fatalf("%q lies over %q", p.Title, other)
				}
				used[[2]int{x, y}] = p.Title
			}
		}
		for _, q := range p.Targets {
			for _, name := range metric.FindAllString(q.Expr, -1) {
				bare := strings.TrimPrefix(strings.TrimPrefix(name, "muster_"), "process_")
				if !strings.Contains(known, bare) {
					t.Errorf("%q asks for %s, which nobody exports", p.Title, name)
				}
			}
		}
	}
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
