package main

import (
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
)

// A running muster reports what its store remembers of a unit.
func TestHistoryOfARunningMuster(t *testing.T) {
	spring, summer := event.At(time.Date(2026, 4, 1, 9, 0, 0, 0, time.UTC)), event.At(time.Date(2026, 7, 1, 9, 0, 0, 0, time.UTC))
	report := report.Report{Schema: report.V2, Boat: boat.Identity{ID: "wagtail"}, TakenAt: summer.Add(time.Hour), Clock: boat.ClockSystem,
		Networks: []report.Network{}, Talkers: []report.Talker{}, Manual: []boat.Manual{}, Alerts: []alert.Alert{},
		Devices: []report.Device{{ID: "00000000000000A1", Network: "can0", State: boat.Present, Role: boat.RoleDisplay,
			Restarts: 2,
			Product:  &boat.Product{Model: "LF9 display", Serial: "H-1", Software: "4.52"},
			Software: []boat.Software{{Version: "4.47", Since: spring}, {Version: "4.52", Since: summer}}}}}
	report.Complete()
	text, err := json.Marshal(&report)
	if err != nil {
		t.Fatal(err)
	}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path != "/api/v1/report" {
			http.NotFound(w, r)
			return
		}
		_, _ = w.Write(text)
	}))
	defer server.Close()
	var out, errs strings.Builder
	a := app{stdin: strings.NewReader(""), stdout: &out, stderr: &errs}
	if status := a.run(t.Context(), []string{"history", server.URL}); status != exitDone {
		t.Fatalf("status %d: %s", status, errs.String())
	}
	for _, want := range []string{"LF9 display (H-1)\n", "  software  4.47  2026-04-01 09:00:00 UTC to 2026-07-01 09:00:00 UTC\n",
		"  software  4.52  2026-07-01 09:00:00 UTC to 2026-07-01 10:00:00 UTC\n", "  restarts  2\n"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("does not say %q:\n%s", want, out.String())
		}
	}
	server.Close()
	if status := a.run(t.Context(), []string{"history", server.URL}); status != exitSource || !strings.Contains(errs.String(), "error: ") {
		t.Errorf("a muster that does not answer: status %d: %s", status, errs.String())
	}
	if status := a.run(t.Context(), []string{"history", server.URL, "--token-file", "none"}); status != exitUsage {
		t.Errorf("a missing token file: status %d: %s", status, errs.String())
	}
}
