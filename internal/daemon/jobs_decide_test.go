package daemon

import (
	"path/filepath"
	"testing"

	"github.com/rs/zerolog"

	"muster/internal/boat"
	"muster/internal/job"
	"muster/internal/report"
)

// TestDecisionInTheLedger: what somebody decides of units on the page is in the ledger of the open job, once, before there is an order too.
func TestDecisionInTheLedger(t *testing.T) {
	v, err := job.Create(t.Context(), filepath.Join(t.TempDir(), "visit"), onBoat, "Ana", job.Opening{Number: "1"})
	if err != nil {
		t.Fatal(err)
	}
	d := boat.Decision{A: "A1", B: "A2", Same: true, By: "Ana", At: t0}
	r := &report.Report{TakenAt: t0, Decisions: []boat.Decision{d}}
	k := &jobs{log: zerolog.Nop(), visit: v, view: func() *view { return &view{report: r} }}
	for range 2 {
		k.observe(t.Context())
	}
	if k.problem != "" || len(v.Ledger.Lines) != 2 {
		t.Fatalf("%d lines; %s", len(v.Ledger.Lines), k.problem)
	}
	line := v.Ledger.Lines[1]
	var got job.Decision
	if err := line.Into(&got); err != nil || line.Kind != job.Identity || line.By != "Ana" || got.Decision != d {
		t.Errorf("%s by %s: %+v, %v", line.Kind, line.By, got, err)
	}
	if err := v.Close(t.Context(), "Ana"); err != nil {
		t.Fatal(err)
	}
	r.Decisions = nil
	if k.observe(t.Context()); k.problem != "" || len(v.Ledger.Lines) != 3 {
		t.Errorf("a closed job: %d lines; %s", len(v.Ledger.Lines), k.problem)
	}
}
