package main

import (
	"io"
	"path/filepath"
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/report"
)

// TestConfirmBesideFollow: a version that another muster confirms in the state file is there for the one that follows, and stays when that
// one keeps what it sees afterwards.
func TestConfirmBesideFollow(t *testing.T) {
	begun := event.At(time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC))
	step := func(id, device string) release.Step {
		return release.Step{ID: id, Device: release.Unit{ID: device}, From: "1.0", To: "1.1", BackWithin: 5, Numbering: release.Numbering{Scheme: "decimal"}}
	}
	const pilot, sounder = "C0F08201FA20A049", "C0F08201FA20A050"
	order := &release.Order{Groups: []release.Group{{Steps: []release.Step{step("1.1", pilot), step("1.2", sounder)}}}}
	heard := func(at event.Time, left boat.DeviceState) *report.Report {
		r := &report.Report{TakenAt: at, Window: boat.Window{From: begun, To: at}, Devices: []report.Device{
			{ID: pilot, State: boat.Present}, {ID: sounder, State: left, LastSeen: begun.Add(time.Minute)}}}
		r.Complete()
		return r
	}
	file := filepath.Join(t.TempDir(), "work.json")
	muster := func(confirm map[string]string) *following {
		f := &following{ctx: t.Context(), out: io.Discard, errs: io.Discard, stop: func() {}, order: order, file: file, confirm: confirm, by: "Ana"}
		return f
	}
	follows := muster(nil)
	follows.observe(begun.Add(70*time.Second), heard(begun.Add(70*time.Second), boat.Present), release.Conditions{})
	beside := muster(map[string]string{"1.1": "1.1"})
	beside.observe(begun.Add(80*time.Second), heard(begun.Add(80*time.Second), boat.Present), release.Conditions{})
	if err := beside.end(nil); beside.err != nil || err == nil {
		t.Fatalf("the confirmation: %v, %v", beside.err, err)
	}
	at := begun.Add(90 * time.Second)
	follows.observe(at, heard(at, boat.Gone), release.Conditions{})
	if err := follows.end(nil); follows.err != nil || err == nil {
		t.Fatalf("the one that follows: %v, %v", follows.err, err)
	}
	saved, err := release.Restore(t.Context(), order, []byte(readAll(t, file)))
	if err != nil {
		t.Fatal(err)
	}
	status := saved.Status()
	if s := status[0]; s.ByHand == nil || s.ByHand.By != "Ana" || s.State != release.StepVerified {
		t.Errorf("the confirmation is lost: %+v", s)
	}
	if s := status[1]; s.State != release.StepLeft {
		t.Errorf("what was seen afterwards is lost: %+v", s)
	}
}
