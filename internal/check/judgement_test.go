package check

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
)

// TestNothingIsClearWithoutTraffic: no check calls a boat healthy of which it saw nothing, and each gives what it
// lacks.
func TestNothingIsClearWithoutTraffic(t *testing.T) {
	silent := func(kind event.NetworkKind) *boat.State {
		return &boat.State{Networks: []boat.Network{{ID: "net0", Kind: kind, BitRate: 250_000, State: "active", Start: ago(time.Hour)}}}
	}
	short := aboard(head("A1", 35, depth(), volts(0)), sounder("B1", 36, depth()))
	short.Networks[0].Start, short.Networks[0].Frames, short.Networks[0].State = ago(time.Second), 4, "active"
	for i := range short.Devices {
		short.Devices[i].FirstSeen, short.Devices[i].Product = ago(time.Second), nil
		for j := range short.Devices[i].Transmits {
			short.Devices[i].Transmits[j].Count = 1
		}
	}
	for name, state := range map[string]*boat.State{
		"empty boat": {}, "silent backbone": silent(event.NMEA2000), "silent line": silent(event.NMEA0183), "one second": short,
	} {
		t.Run(name, func(t *testing.T) {
			j := Judge(All(), state, now, nil)
			for _, c := range j.Clear {
				if name == "one second" && (c.Check == "empty-data" || c.Check == "wrong-bit-rate") {
					continue // one value, and the bit rate that the interface reports, are seen at once
				}
				t.Errorf("%s is clear", c.Check)
			}
			for _, id := range IDs() {
				found := slices.ContainsFunc(j.Findings, func(f Finding) bool { return f.Check == id })
				i := slices.IndexFunc(j.NotJudged, func(u Unjudged) bool { return u.Check == id })
				switch {
				case found || id == "store-failing" || name == "one second" && (id == "empty-data" || id == "wrong-bit-rate"):
				case i < 0:
					t.Errorf("%s does not answer", id)
				case j.NotJudged[i].Why == "" || j.NotJudged[i].Needs == "":
					t.Errorf("%s does not say why it is not judged: %+v", id, j.NotJudged[i])
				}
			}
		})
	}
}

// TestOffIsNotJudged: what the config switches off is never clear.
func TestOffIsNotJudged(t *testing.T) {
	s := DefaultSettings()
	s.BusLoadHigh.Off = true
	j := Judge(All(), bus(boat.Network{LoadRecent: 0.9}), now, &s)
	i := slices.IndexFunc(j.NotJudged, func(u Unjudged) bool { return u.Check == "bus-load-high" })
	if i < 0 || j.NotJudged[i].Needs != NeedSetting {
		t.Errorf("%+v", j.NotJudged)
	}
	for _, f := range j.Findings {
		if f.Check == "bus-load-high" {
			t.Error(f.Summary)
		}
	}
}

// TestShortWindow: a check that needs longer gives how much.
func TestShortWindow(t *testing.T) {
	n := bus(boat.Network{LoadRecent: 0.2})
	n.Networks[0].Start = ago(4 * time.Second)
	j := Judge([]Rule{ruleOf(t, "bus-load-high")}, n, now, nil)
	i := slices.IndexFunc(j.NotJudged, func(u Unjudged) bool { return u.Check == "bus-load-high" })
	if i < 0 || len(j.Clear) > 0 || j.NotJudged[i].More != 6*time.Second || j.NotJudged[i].Why != "needs 10 s, has 4 s" {
		t.Errorf("%+v", j.NotJudged)
	}
	n.Networks[0].LoadRecent = 0.94
	if j = Judge([]Rule{ruleOf(t, "bus-load-high")}, n, now, nil); len(j.Findings) != 1 {
		t.Error("what a short window shows is not found")
	}
}

// TestLoadOfUnits: what a unit sends under several NAMEs counts as one sender's load.
func TestLoadOfUnits(t *testing.T) {
	s := bus(boat.Network{LoadRecent: 0.9})
	for i, load := range []float64{0.2, 0.3, 0.4} {
		s.Devices = append(s.Devices, boat.Device{ID: fmt.Sprint(i), Network: "can0", Unit: []string{"box", "other"}[i%2], State: boat.Present, Load: load})
	}
	j := Judge([]Rule{ruleOf(t, "bus-load-high")}, s, now, nil)
	if len(j.Findings) != 1 {
		t.Fatalf("%+v", j.Findings)
	}
	units, _ := j.Findings[0].Evidence["units"].([]string)
	if len(units) != 2 || !strings.HasSuffix(units[0], " 60.0 %") || !strings.HasSuffix(units[1], " 30.0 %") {
		t.Errorf("%q", units)
	}
}
