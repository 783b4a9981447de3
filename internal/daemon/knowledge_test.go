package daemon

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/report"
)

const someNote = "schema: muster.notes/v1\ndevices:\n  - {id: n1, manufacturer: Larkfin Marine, model: Pemmo 4, software: \"1.3\", by: Ana, at: 2026-05-02T07:00:00Z}\n"

// TestKnowledge: sheets and noted devices take part in the checks of a replay, and OnReport receives once a second
// what the boat does.
func TestKnowledge(t *testing.T) {
	notes := filepath.Join(t.TempDir(), "notes.yaml")
	if err := os.WriteFile(notes, []byte(someNote), 0o644); err != nil {
		t.Fatal(err)
	}
	opt := simulated(t, "demo")
	opt.Config.Sheets, opt.Config.Notes = "../../deploy/sheets", notes
	var times []event.Time
	engine := 0
	opt.OnReport = func(now event.Time, _ *report.Report, c release.Conditions) {
		times = append(times, now)
		if c.EngineRPM != nil && *c.EngineRPM == 0 && c.SupplyVolts != nil {
			engine++
		}
	}
	r, err := Replay(t.Context(), opt, 30*time.Second, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Manual) != 1 || r.Manual[0].ID != "n1" {
		t.Errorf("entered by hand: %+v", r.Manual)
	}
	if !slices.ContainsFunc(r.Alerts, func(a alert.Alert) bool { return a.Check == "software-behind" && slices.Contains(a.Devices, "n1") }) {
		t.Error("the noted device is not behind")
	}
	if len(times) < 29 || len(times) > 32 || !slices.IsSorted(times) || engine < 25 {
		t.Errorf("told %d times, %d of them with conditions: %v", len(times), engine, times)
	}
	opt = simulated(t, "demo")
	opt.Config.Notes, opt.Manual = notes, []boat.Manual{}
	if r, err = Replay(t.Context(), opt, time.Second, nil); err != nil || len(r.Manual) != 0 {
		t.Errorf("in the place of the notes: %+v, %v", r.Manual, err)
	}
}

// TestKnowledgeReload: notes, sheets and a job file that cannot be read change nothing; those that can take effect at once, beside the desk's.
func TestKnowledgeReload(t *testing.T) {
	notes := filepath.Join(t.TempDir(), "notes.yaml")
	d, _ := aboard(t, keptOptions(t, t.TempDir(), network(t0, "can0", true)))
	c := d.opt.Config
	c.Notes = notes
	if _, err := d.Reload(t.Context(), c); err == nil || !strings.Contains(err.Error(), "notes.yaml") {
		t.Errorf("notes that are not there: %v", err)
	}
	if err := os.WriteFile(notes, []byte(someNote), 0o644); err != nil {
		t.Fatal(err)
	}
	c.Sheets = "none"
	if _, err := d.Reload(t.Context(), c); err == nil || !strings.Contains(err.Error(), `"none"`) {
		t.Errorf("sheets that are not there: %v", err)
	}
	c.Sheets, c.Job = "../../deploy/sheets", "none.yaml"
	if _, err := d.Reload(t.Context(), c); err == nil || !strings.Contains(err.Error(), "job file: open none.yaml") {
		t.Errorf("a job file that is not there: %v", err)
	}
	c.Job = "../../deploy/examples/job.yaml"
	if _, err := d.Reload(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Desk().AddManual(t.Context(), boat.Manual{Model: "Gannet VR1 radio", By: "Ben"}); err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, m := range d.Report().Manual {
		ids = append(ids, m.ID)
	}
	if job := d.model.view.Load().job; job == nil || job.Shop.Name != "Example Marine Electronics" {
		t.Errorf("the job file gives %+v", job)
	}
	if got := strings.Join(ids, " "); got != "n1 m1" {
		t.Errorf("entered by hand: %s", got)
	}
}
