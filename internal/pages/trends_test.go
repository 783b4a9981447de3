package pages_test

import (
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/daemon"
	"muster/internal/daemon/daemontest"
	"muster/internal/ui/webtest"
)

func trendsOf(t *testing.T, d *daemon.Daemon) (answer api.Trends) {
	t.Helper()
	webtest.Must(t, json.Unmarshal(webtest.Fetch(t, d.URL()+"/api/v1/trends?resolution=minute"), &answer))
	return answer
}

// boatsOwn is a decision that changes nothing.
func boatsOwn(d *daemon.Daemon) boat.Decision {
	units := d.Report().Aboard()
	return boat.Decision{A: units[0].ID, B: units[1].ID, By: "Jo"}
}

// TestTrendsAfterPowerCut: what the page shows of the time before a power cut is there again, but for the minute under way.
func TestTrendsAfterPowerCut(t *testing.T) {
	stage, dir := newStage(t), t.TempDir()
	d := stage.board(t, dir)
	stage.pass(t, 250*time.Second)
	minutes := 0
	daemontest.Until(t, "three minutes are kept", func() bool { minutes = len(trendsOf(t, d).At); return minutes >= 3 })
	if units := trendsOf(t, d).Units; len(units) < 2 || len(units[0].Software) == 0 {
		t.Errorf("%+v", units)
	}
	copied := filepath.Join(t.TempDir(), "after")
	webtest.Must(t, d.Desk().Decide(t.Context(), boatsOwn(d))) // what a person does is on the disk when it is answered
	webtest.Must(t, os.CopyFS(copied, os.DirFS(dir)))
	webtest.Must(t, d.Stop())
	d = stage.board(t, copied)
	after := trendsOf(t, d)
	if len(after.At) < minutes-1 {
		t.Errorf("%d of %d minutes are there after the cut", len(after.At), minutes)
	}
	kinds := map[string]bool{}
	for _, s := range after.Series {
		kinds[s.Kind] = true
	}
	if !kinds["load"] || !kinds["faults"] {
		t.Error(kinds)
	}
	page := string(webtest.Fetch(t, d.URL()+"/?trend=24h"))
	for _, want := range []string{"load of ", "error frames", `data-trends="/api/v1/trends?resolution=minute&amp;hours=24"`} {
		if !strings.Contains(page, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	rows, err := csv.NewReader(strings.NewReader(string(webtest.Fetch(t, d.URL()+"/api/v1/trends.csv")))).ReadAll()
	webtest.Must(t, err)
	if len(rows) < minutes || rows[0][0] != "time" || !slices.Contains(rows[0], "faults error frames") {
		t.Errorf("%q", rows)
	}
}
