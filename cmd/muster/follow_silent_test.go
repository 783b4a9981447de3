package main

import (
	"io"
	"strings"
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/report"
)

// TestFollowWaitsForTheBoat: a boat whose electronics are still off is not another boat; muster's own presence is no boat at all.
func TestFollowWaitsForTheBoat(t *testing.T) {
	begun := event.At(time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC))
	own, head := report.Device{ID: "C0F0820000000001", Own: true, State: boat.Present}, report.Device{ID: "C0F08201FA20A049", State: boat.Present}
	heard := func(at event.Time, devices ...report.Device) *report.Report {
		r := &report.Report{TakenAt: at, Window: boat.Window{From: begun, To: at}, Devices: devices}
		r.Complete()
		return r
	}
	var told strings.Builder
	f := &following{out: io.Discard, errs: &told, stop: func() {},
		order: &release.Order{Groups: []release.Group{{Steps: []release.Step{{ID: "1.1", Device: release.Unit{ID: head.ID}, Numbering: release.Numbering{Scheme: "decimal"}}}}}}}
	at := begun
	for range 120 {
		at = at.Add(time.Second)
		f.observe(at, heard(at, own), release.Conditions{})
	}
	if f.err != nil || strings.Count(told.String(), "nothing received yet: check ") != 1 {
		t.Fatalf("after two silent minutes: %v, told %q", f.err, told.String())
	}
	if err := f.end(nil); err == nil || !strings.Contains(err.Error(), "nothing was received") {
		t.Errorf("at the end: %v", err)
	}
	stranger := report.Device{ID: "C0F08200FA209999", State: boat.Present}
	for range 20 {
		at = at.Add(time.Second)
		f.observe(at, heard(at, own, stranger), release.Conditions{})
	}
	if f.err != nil {
		t.Fatalf("twenty seconds after somebody was heard: %v", f.err)
	}
	late := *f
	at = at.Add(time.Second)
	f.observe(at, heard(at, own, stranger, head), release.Conditions{})
	if f.err != nil || !f.aboard {
		t.Errorf("the order's device is there: %v, aboard %v", f.err, f.aboard)
	}
	at = at.Add(time.Minute)
	if late.observe(at, heard(at, own, stranger), release.Conditions{}); late.err == nil || !strings.Contains(late.err.Error(), "another boat") {
		t.Errorf("only strangers: %v", late.err)
	}
}

func TestSilent(t *testing.T) {
	for want, r := range map[bool]*report.Report{
		true:  {Devices: []report.Device{{Own: true}}},
		false: {Devices: []report.Device{{Own: true}, {ID: "address-35"}}},
	} {
		if got := silent(r); got != want {
			t.Errorf("%+v: %v", r.Devices, got)
		}
	}
}
