package ui

import (
	"strings"
	"testing"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/report"
	"muster/internal/ui/webtest"
)

func TestHTMLReport(t *testing.T) {
	var page strings.Builder
	if err := WriteHTML(&page, webtest.Sample(t), "v1"); err != nil {
		t.Fatal(err)
	}
	for _, bad := range []string{"<script", "<link", "src="} {
		if strings.Contains(page.String(), bad) {
			t.Errorf("page is not self-contained: it holds %s", bad)
		}
	}
	if !strings.Contains(page.String(), "@media print") {
		t.Error("page has no style")
	}
}

// TestVerdictOfLittle: a boat of which little or nothing is heard is not called more than that.
func TestVerdictOfLittle(t *testing.T) {
	at := webtest.Sample(t).TakenAt
	silent := []report.Network{{ID: "can0"}}
	spoke := []report.Network{{ID: "can0", Frames: 5}}
	talkers := []report.Talker{{Network: "can0", Talker: "SD"}, {Network: "can0", Talker: "WI"}}
	for _, tt := range []struct {
		report         report.Report
		sentence, more string
	}{
		{report.Report{}, "Nothing has been heard yet.", "As soon as a network speaks, its devices stand here."},
		{report.Report{TakenAt: at, Networks: silent}, "No network has said anything yet.", "See that the networks are switched on and plugged in, and that their speed is right."},
		{report.Report{TakenAt: at, Networks: spoke}, "Traffic, but no device has made itself known.", "No device is on the roll."},
		{report.Report{TakenAt: at, Networks: spoke, Talkers: talkers}, "Data is heard; no talker has told what it is.", "2 talkers are heard on NMEA 0183."},
		{report.Report{TakenAt: at, Networks: spoke, Talkers: talkers[:1], Alerts: []alert.Alert{{Severity: check.Warning}}}, "Usable, but look at 1 warning.", "1 talker is heard on NMEA 0183."},
		{report.Report{TakenAt: at, Networks: spoke, Devices: []report.Device{{State: boat.Silent}}}, "All in order.", "0 of 1 device on the roll answer."},
		{report.Report{TakenAt: at, Networks: spoke, Devices: []report.Device{{State: boat.Present}, {State: boat.Gone, Live: &boat.Device{Renamed: true}}}}, "All in order.", "1 of 1 device on the roll answer."},
	} {
		if v := judge(&tt.report); v.Sentence != tt.sentence || v.More != tt.more {
			t.Errorf("%+v\nwant %q, %q", v, tt.sentence, tt.more)
		}
	}
}
