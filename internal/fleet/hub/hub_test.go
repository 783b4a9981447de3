package hub

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/alert"
	"muster/internal/check"
	"muster/internal/fleet"
)

// TestStory: a boat is enrolled, reports, has an alert raised and cleared, and is found.
func TestStory(t *testing.T) {
	r := newRig(t, nil)
	s := r.sender(t, "wagtail", "board1")
	h := r.hub(t, calm)

	s.send(t, fleet.KindReport, testReport("wagtail", 3, "4.47"))
	until(t, "the report", func() bool { b := h.Boat("wagtail"); return b != nil && len(b.Devices) == 3 })
	s.send(t, fleet.KindAlert, testChange("wagtail", alert.Raised, testAlert(check.Warning, "a")))
	until(t, "the alert", func() bool { return len(h.Boat("wagtail").Alerts) == 1 })
	b := h.Boat("wagtail")
	if got := b.Verdict(b.LastHeard, time.Hour); got != Watch {
		t.Errorf("verdict %s, want watch", got)
	}
	s.send(t, fleet.KindAlert, testChange("wagtail", alert.Cleared, testAlert(check.Warning, "a")))
	until(t, "the end of the alert", func() bool { return len(h.Boat("wagtail").Alerts) == 0 })
	s.send(t, fleet.KindRecord, fleet.Document{Name: "record.pdf", Media: "application/pdf", Data: []byte("%PDF")})
	until(t, "the record", func() bool { return h.Stats().Messages[fleet.KindRecord] == 1 })

	got, err := h.Report(t.Context(), "wagtail", 0)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(testReport("wagtail", 3, "4.47"), got); diff != "" {
		t.Errorf("latest report (-sent +kept):\n%s", diff)
	}
	past, err := h.History(t.Context(), "wagtail", 2)
	if err != nil || len(past) != 2 || past[0].Kind != "record" || past[1].Kind != "alert" {
		t.Fatalf("history %+v, %v", past, err)
	}
	e, k, err := h.Document(t.Context(), "wagtail", past[0].Stream)
	if err != nil || k != fleet.KindRecord || e.Boat.ID != "wagtail" {
		t.Errorf("document %v %v %v", e, k, err)
	}
	if _, _, err := h.Document(t.Context(), "other", past[0].Stream); err == nil {
		t.Error("another boat's document was given")
	}
	hits, err := h.Search(Query{Model: "lf2", Version: "4.47"})
	if err != nil || len(hits) != 1 || hits[0].Device.Serial != "wagtail-0002" {
		t.Errorf("search: %+v, %v", hits, err)
	}
}
