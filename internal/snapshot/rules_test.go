package snapshot

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/report"
)

func TestRules(t *testing.T) {
	unit := func(id string, unique uint32, instance uint8, serial string) boat.Device {
		return boat.Device{ID: id, Network: "can0", State: boat.Present, Name: &boat.Name{UniqueNumber: unique,
			Manufacturer: boat.Coded{Code: 2001}, DeviceFunction: boat.Coded{Code: 130}, DeviceInstance: instance},
			Product: &boat.Product{Model: "Larkfin LF9 display", Serial: serial}}
	}
	aboard := func(devices ...boat.Device) *boat.State {
		s := &boat.State{TakenAt: 1e18, Networks: []boat.Network{{ID: "can0", Kind: event.NMEA2000, Frames: 10, Start: 1e17}}, Devices: devices}
		s.FindUnits(nil, 0)
		return s
	}
	at := func(d boat.Device, address uint8) boat.Device { d.Address = &address; return d }
	head := unit("a1", 1, 0, "S1")
	provisional := boat.Device{ID: "can0/35", Network: "can0", State: boat.Provisional}
	silent := head
	silent.State = boat.Silent
	early := aboard()
	early.Networks[0].Start = event.Time(1e18).Add(-20 * time.Second)
	quiet := aboard()
	quiet.Networks[0].Frames = 0
	for _, tc := range []struct {
		name      string
		base, now *boat.State
		want      []string
	}{
		{"the same", aboard(head), aboard(head), nil},
		{"missing", aboard(head), aboard(), []string{"missing a1"}},
		{"heard for too short a time", aboard(head), early, nil},
		{"silent is told by itself", aboard(head), aboard(silent), nil},
		{"nothing is heard", aboard(head), quiet, nil},
		{"its address speaks without a name", aboard(at(head, 35)), aboard(at(provisional, 35)), nil},
		{"new-device", aboard(), aboard(head), []string{"new-device a1"}},
		{"another instance is the same unit", aboard(head), aboard(unit("a2", 1, 3, "S1")), nil},
		{"replaced", aboard(head), aboard(unit("b1", 2, 0, "S2")), []string{"replaced b1"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var got []string
			judged := check.Judge(Rules(New(report.New(tc.base, nil))), tc.now, 1e18, nil)
			for _, f := range judged.Findings {
				got = append(got, f.Check+" "+f.Subject)
			}
			clear := slices.ContainsFunc(judged.Clear, func(c check.Subject) bool { return c.Check == "missing" })
			if want := !slices.Contains([]string{"missing", "nothing is heard", "heard for too short a time", "its address speaks without a name"}, tc.name); clear != want {
				t.Errorf("nothing is missing: %v, want %v", clear, want)
			}
			if diff := cmp.Diff(tc.want, got); diff != "" {
				t.Error(diff)
			}
		})
	}
	if Rules(nil) != nil {
		t.Error("rules without a baseline")
	}
}
