package daemon

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/hosttest"
)

// program finds a program that the test needs, or skips.
func program(t *testing.T, name, pkg string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatalf("%s is not installed: Debian's package %s", name, pkg)
		}
		t.Skipf("%s is not installed", name)
	}
	return path
}

// background runs a server until the test ends.
func background(t *testing.T, path string, args ...string) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), path, args...)
	log := filepath.Join(t.TempDir(), "log")
	f, err := os.Create(log)
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stdout, cmd.Stderr = f, f
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		_ = f.Close()
		http.DefaultClient.CloseIdleConnections()
		if t.Failed() {
			text, _ := os.ReadFile(log)
			t.Logf("%s: %s", path, text)
		}
	})
}

// fetch decodes the JSON answer of a server; false while there is none.
func fetch(url string, v any) bool {
	resp, err := http.Get(url)
	if err != nil {
		return false
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	return err == nil && resp.StatusCode == http.StatusOK && json.Unmarshal(text, v) == nil
}

func standing(t *testing.T, d *Daemon, findings ...check.Finding) {
	t.Helper()
	err := d.model.do(t.Context(), func() error {
		for _, c := range d.model.watch.Book().Update(event.At(time.Now()), findings) {
			d.model.changed(c)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestAlertmanager: a real one is notified of an alert, of its end, and nothing of what is silenced.
func TestAlertmanager(t *testing.T) {
	path := program(t, "prometheus-alertmanager", "prometheus-alertmanager")
	dir, address := t.TempDir(), hosttest.Address(t)
	conf := filepath.Join(dir, "am.yaml")
	if err := os.WriteFile(conf, []byte("route: {receiver: none}\nreceivers: [{name: none}]\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	background(t, path, "--config.file="+conf, "--storage.path="+dir, "--web.listen-address="+address, "--cluster.listen-address=")
	opt := keptOptions(t, t.TempDir())
	opt.firstRetry = 50 * time.Millisecond
	opt.Config.Boat = boat.Identity{ID: "wagtail"}
	opt.Config.Alerts = alert.Settings{}
	opt.Config.Checks.Every = time.Hour // only the test runs the checks
	opt.Config.Notify = []config.Target{{ID: "am", Alertmanager: "http://" + address}}
	d, _ := aboard(t, opt)
	f := check.Finding{Check: "silent", Subject: "a", Severity: check.Warning, Network: "can0", Summary: "Gannet SD2 sounder has not spoken", Steps: []check.Step{{Class: check.Look, Text: "Look at its breaker."}}}
	quiet := check.Finding{Check: "bus-load-high", Subject: "can0", Severity: check.Warning, Summary: "busy"}
	now := event.At(time.Now())
	if err := d.model.do(t.Context(), func() error {
		return d.model.watch.Book().Silence(alert.Silence{Check: "bus-load-high", From: now - 1, Until: now.Add(time.Hour)})
	}); err != nil {
		t.Fatal(err)
	}
	standing(t, d, f, quiet)
	var got []struct {
		Labels, Annotations map[string]string
		EndsAt              time.Time
	}
	eventually(t, func() bool { return fetch("http://"+address+"/api/v2/alerts", &got) && len(got) == 1 })
	l := got[0].Labels
	if l["alertname"] != "silent" || l["boat"] != "wagtail" || l["severity"] != "warning" || l["network"] != "can0" || got[0].Annotations["remedy"] == "" {
		t.Errorf("told %+v", got[0])
	}
	standing(t, d, quiet)
	eventually(t, func() bool { return fetch("http://"+address+"/api/v2/alerts", &got) && len(got) == 0 })
}

// TestPrometheus: a real one scrapes the daemon without an error, with the shipped rules loaded, and promtool finds no fault with
// the names of the metrics.
func TestPrometheus(t *testing.T) {
	path, tool := program(t, "prometheus", "prometheus"), program(t, "promtool", "prometheus")
	now := event.At(time.Now())
	opt := keptOptions(t, t.TempDir(), network(now, "can0", false), claim(now, nameA, 35))
	opt.Config.Listen = "127.0.0.1:0"
	opt.Config.Alerts, opt.Config.Checks.Every = alert.Settings{}, time.Hour // only the test runs the checks
	opt.Config.Notify = []config.Target{{ID: "office", Webhook: "http://127.0.0.1:9/"}}
	d, _ := aboard(t, opt)
	eventually(t, func() bool { return len(d.Report().Devices) == 1 })
	standing(t, d, check.Finding{Check: "bus-load-high", Subject: "can0", Severity: check.Warning, Network: "can0", Summary: "busy"})

	lint := exec.Command(tool, "check", "metrics")
	lint.Stdin = strings.NewReader(scrape(t, d))
	if out, err := lint.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("promtool check metrics: %v: %s", err, out)
	}

	rules, err := filepath.Abs("../../deploy/prometheus/rules.yaml")
	if err != nil {
		t.Fatal(err)
	}
	dir, address := t.TempDir(), hosttest.Address(t)
	conf := fmt.Sprintf("global: {scrape_interval: 1s, evaluation_interval: 1s}\nrule_files: [%q]\nscrape_configs:\n- job_name: muster\n  static_configs: [{targets: [%q], labels: {boat: wagtail}}]\n",
		rules, strings.TrimPrefix(d.URL(), "http://"))
	file := filepath.Join(dir, "prometheus.yaml")
	if err := os.WriteFile(file, []byte(conf), 0o600); err != nil {
		t.Fatal(err)
	}
	background(t, path, "--config.file="+file, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+address)
	var answer struct {
		Data struct {
			Result []struct{ Metric map[string]string }
		}
	}
	eventually(t, func() bool {
		return fetch("http://"+address+"/api/v1/query?query=boat:muster_devices:sum", &answer) && len(answer.Data.Result) == 1
	})
	if b := answer.Data.Result[0].Metric["boat"]; b != "wagtail" {
		t.Errorf("of boat %q", b)
	}
	eventually(t, func() bool {
		return fetch("http://"+address+"/api/v1/query?query="+url.QueryEscape(`ALERTS{alertname="MusterAlert",check="bus-load-high",boat="wagtail"}`), &answer) && len(answer.Data.Result) == 1
	})
	var board struct {
		Panels []struct {
			Title   string
			Targets []struct{ Expr string }
		}
	}
	text, err := os.ReadFile("../../deploy/grafana/muster.json")
	if err == nil {
		err = json.Unmarshal(text, &board)
	}
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range board.Panels {
		query := "http://" + address + "/api/v1/query?query=" + url.QueryEscape(strings.ReplaceAll(p.Targets[0].Expr, "$boat", "wagtail"))
		for range 1200 { // rates need two scrapes, records an evaluation
			if answer.Data.Result = nil; fetch(query, &answer) && len(answer.Data.Result) > 0 {
				break
			}
			time.Sleep(100 * time.Millisecond)
		}
		if len(answer.Data.Result) == 0 {
			t.Errorf("panel %q shows nothing: %s", p.Title, p.Targets[0].Expr)
		}
	}
}
