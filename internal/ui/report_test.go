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

// TestVerdictOfLittle: the verdict on a boat with little or no traffic claims no more than was received.
func TestVerdictOfLittle(t *testing.T) {
	at := webtest.Sample(t).TakenAt
	silent := []report.Network{{ID: "can0"}}
	spoke := []report.Network{{ID: "can0", Frames: 5}}
	talkers := []report.Talker{{Network: "can0", Talker: "SD"}, {Network: "can0", Talker: "WI"}}
	oneBox := report.Unit{Aboard: true, State: boat.Present, Device: report.Device{State: boat.Present},
		Presences: []*report.Device{{State: boat.Present}, {State: boat.Gone, Left: true}}}
	for _, tt := range []struct {
		report         report.Report
		sentence, more string
	}{
		{report.Report{}, "No traffic received yet.", "Devices appear here when traffic is received."},
		{report.Report{TakenAt: at, Networks: silent}, "No traffic on any network yet.", "Check that each network is powered and connected. Check its speed."},
		{report.Report{TakenAt: at, Networks: spoke}, "Traffic received, but no device is identified.", "No device found."},
		{report.Report{TakenAt: at, Networks: spoke, Talkers: talkers}, "Data received, but no talker reports its model.", "2 talkers send on NMEA 0183."},
		{report.Report{TakenAt: at, Networks: spoke, Talkers: talkers[:1], Alerts: []alert.Alert{{Severity: check.Warning}}}, "1 thing needs attention.", "1 talker sends on NMEA 0183."},
		{report.Report{TakenAt: at, Networks: spoke, Alerts: []alert.Alert{{Severity: check.Critical, State: alert.StatusAcknowledged}, {Severity: check.Warning, State: alert.StatusOpen, SilencedUntil: at}}},
			"Nothing else needs attention: 2 alerts are acknowledged or silenced.", "No device found; 1 alert acknowledged; 1 alert silenced."},
		{report.Report{TakenAt: at, Networks: spoke, Devices: []report.Device{{State: boat.Silent}}}, "Nothing needs attention.", "0 of 1 device online."},
		{report.Report{TakenAt: at, Networks: spoke, Units: []report.Unit{oneBox}}, "Nothing needs attention.", "1 of 1 device online."},
	} {
		if tt.report.Units == nil {
			tt.report.Complete()
		}
		if v := verdictOf(&tt.report); v.Sentence != tt.sentence || v.More != tt.more {
			t.Errorf("%+v\nwant %q, %q", v, tt.sentence, tt.more)
		}
	}
}
