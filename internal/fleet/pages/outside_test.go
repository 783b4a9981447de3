package pages

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"muster/internal/hosttest"
	"muster/internal/ui/webtest"
)

// need finds a program, or skips by its name; nothing is skipped when everything must be tested.
func need(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	webtest.Need(t, name, err)
	return path
}

var everyPage = map[string]string{"fleet": "/", "boat": "/boats/wagtail?before=1&after=2", "boat2": "/boats/plover", "never": "/boats/knot",
	"search": "/search?below=4.52", "campaigns": "/campaigns", "campaign": "/campaigns/LF9%20display", "week": "/week", "alerts": "/alerts",
	"refusals": "/refusals", "unit": "/boats/redshank/units/c0fa1e0000000007", "enrol": "/enrol", "login": "/login", "missing": "/boats/nobody"}

// TestTidy holds every page to a packaged HTML checker.
func TestTidy(t *testing.T) {
	s := serve(t, fakeBoats(t), nil)
	for name, path := range everyPage {
		t.Run(name, func(t *testing.T) {
			_, body := get(t, s.URL()+path)
			webtest.Tidy(t, []byte(body))
		})
	}
}

// TestOpenAPI holds the API's description to a packaged validator.
func TestOpenAPI(t *testing.T) {
	redocly := need(t, "redocly")
	s := serve(t, fakeBoats(t), nil)
	_, text := get(t, s.URL()+"/api/v1/openapi.json")
	file := filepath.Join(t.TempDir(), "openapi.json")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(redocly, "lint", "--extends=spec", "--format=stylish", file)
	cmd.Env = append(os.Environ(), "REDOCLY_TELEMETRY=off", "REDOCLY_SUPPRESS_UPDATE_NOTICE=true")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// TestServiceDiscovery: Prometheus' own client reads the boats that can be scraped. Its type must be set: 2.42 leaves
// it out of discovery otherwise.
func TestServiceDiscovery(t *testing.T) {
	prometheus := need(t, "prometheus")
	s := serve(t, fakeBoats(t), func(o *Options) { o.Token, o.ReadToken = "act-act-act-act-", "read-read-read-read" })
	dir := t.TempDir()
	config := filepath.Join(dir, "prometheus.yaml")
	text := fmt.Sprintf("global: {scrape_interval: 1h}\nscrape_configs:\n  - job_name: boats\n    http_sd_configs:\n"+
		"      - {url: %s/sd/boats, refresh_interval: 1s, authorization: {type: Bearer, credentials: read-read-read-read}}\n", s.URL())
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	address := hosttest.Address(t)
	cmd := exec.Command(prometheus, "--config.file", config, "--storage.tsdb.path", filepath.Join(dir, "data"), "--web.listen-address", address, "--log.level", "warn")
	var log bytes.Buffer
	cmd.Stderr = &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()
	var answer struct {
		Data struct {
			ActiveTargets []struct {
				Labels    map[string]string
				ScrapeURL string
			}
		}
	}
	for range 1800 {
		time.Sleep(100 * time.Millisecond)
		resp, err := http.Get("http://" + address + "/api/v1/targets")
		if err != nil {
			continue
		}
		err = json.NewDecoder(resp.Body).Decode(&answer)
		resp.Body.Close()
		if err == nil && len(answer.Data.ActiveTargets) == 2 {
			break
		}
	}
	got := map[string]string{}
	for _, a := range answer.Data.ActiveTargets {
		got[a.Labels["boat"]+" "+a.Labels["boat_name"]] = a.ScrapeURL
	}
	if got["wagtail Wagtail"] != "http://192.0.2.7:8632/metrics" || got["plover Plover"] != "https://plover.example:8632/muster/metrics" || len(got) != 2 {
		t.Errorf("prometheus found %v\n%s", got, log.String())
	}
}
