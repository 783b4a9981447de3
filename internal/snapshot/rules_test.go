package snapshot

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
)

func TestRules(t *testing.T) {
	unit := func(id string, unique uint32, instance uint8, serial string) boat.Device {
		return boat.Device{ID: id, Network: "can0", State: boat.Present, Name: &boat.Name{UniqueNumber: unique,
			Manufacturer: boat.Coded{Code: 2001}, DeviceFunction: boat.Coded{Code: 130}, DeviceInstance: instance},
			Product: &boat.Product{Model: "Larkfin LF9 head", Serial: serial}}
	}
	report := func(devices ...boat.Device) *boat.Report {
		return &boat.Report{TakenAt: 1e18, Networks: []boat.Network{{ID: "can0", Kind: event.NMEA2000, Frames: 10}}, Devices: devices}
	}
	at := func(d boat.Device, address uint8) boat.Device { d.Address = &address; return d }
	head := unit("a1", 1, 0, "S1")
	provisional := boat.Device{ID: "can0/35", Network: "can0", State: boat.Provisional}
	silent := head
	silent.State = boat.Silent
	quiet := report()
	quiet.Networks[0].Frames = 0
	for _, tc := range []struct {
		name      string
		base, now *boat.Report
		want      []string
	}{
		{"the same", report(head), report(head), nil},
		{"missing", report(head), report(), []string{"missing a1"}},
		{"silent is told by itself", report(head), report(silent), nil},
		{"nothing is heard", report(head), quiet, nil},
		{"its address speaks without a name", report(at(head, 35)), report(at(provisional, 35)), nil},
		{"newcomer", report(), report(head), []string{"newcomer a1"}},
		{"another instance is the same unit", report(head), report(unit("a2", 1, 3, "S1")), nil},
		{"replaced", report(head), report(unit("b1", 2, 0, "S2")), []string{"replaced b1"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var got []string
			for _, f := range check.RunRules(Rules(New(tc.base)), tc.now, 1e18, nil) {
				got = append(got, f.Check+" "+f.Subject)
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
