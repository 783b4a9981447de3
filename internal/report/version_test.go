package report_test

import (
	"bytes"
	"encoding/json"
	"testing"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/report"
)

// box is a state of one box that sends under two NAMEs at once.
func box() *boat.State {
	code, address, other := uint16(7), uint8(30), uint8(31)
	device := func(id string, at *uint8, function uint32, load float64, beat *boat.Beat) boat.Device {
		return boat.Device{ID: id, Network: "can0", Address: at, State: boat.Present, Load: load, Heartbeat: beat, FirstSeen: event.Time(1e9), LastSeen: event.Time(9e9),
			Name:    &boat.Name{UniqueNumber: 5, Manufacturer: boat.Coded{Code: 2001, Name: "Larkfin"}, DeviceFunction: boat.Coded{Code: function}},
			Product: &boat.Product{Code: &code, Model: "LF9", Serial: "A1", Software: "4.47"}, Heard: []boat.Span{{From: event.Time(1e9), Until: event.Time(9e9)}}}
	}
	s := &boat.State{TakenAt: event.Time(9e9), Networks: []boat.Network{{ID: "can0", Kind: event.NMEA2000, Frames: 9}},
		Devices: []boat.Device{device("00000000000000a1", &address, 130, 0.02, nil), device("00000000000000a2", &other, 140, 0.03, &boat.Beat{})}}
	s.FindUnits(nil, 0)
	return s
}

func TestUnitHasLoadAndHeartbeatOfAllItsPresences(t *testing.T) {
	s := box()
	if len(s.Units) != 1 || s.Units[0].Load != 0.05 || s.Units[0].Heartbeat == nil {
		t.Errorf("%d units; load %v, heartbeat %v", len(s.Units), s.Units[0].Load, s.Units[0].Heartbeat)
	}
}

func TestVersionsSayOneVerdict(t *testing.T) {
	s := box()
	s.Manual = []boat.Manual{{ID: "m1", Manufacturer: "Gannet Instruments", Model: "RS5"}}
	r := report.New(s, nil)
	r.Judge(&check.Judgement{NotJudged: []check.Unjudged{{Subject: check.Subject{Check: "low-voltage"}, Why: "needs sources", Needs: check.NeedSources}}})
	for name, r := range map[string]*report.Report{"version 1": r.Version1(), "version 2": r} {
		text, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		if old := bytes.Contains(text, []byte(`"maker":"Gannet Instruments"`)); old != (name == "version 1") {
			t.Errorf("%s: has key maker %v", name, old)
		}
		var back report.Report
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatal(err)
		}
		back.Complete()
		if back.Verdict == nil || back.Verdict.Sentence != r.Verdict.Sentence || len(back.Judged.NotJudged) != 1 {
			t.Errorf("%s: verdict %+v, judged %+v", name, back.Verdict, back.Judged)
		}
		if back.Manual[0] != s.Manual[0] {
			t.Errorf("%s: entry by hand %+v", name, back.Manual[0])
		}
		if len(back.Aboard()) != 1 || len(back.Devices) != 2 {
			t.Errorf("%s: %d units aboard, %d presences", name, len(back.Aboard()), len(back.Devices))
		}
	}
}
