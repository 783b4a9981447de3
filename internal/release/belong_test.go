package release

import (
	"errors"
	"strings"
	"testing"

	"muster/internal/boat"
	"muster/internal/report"
)

func TestFollowRefusesOtherBoat(t *testing.T) {
	o := planned(t)
	other := sample()
	other.Boat.ID = "guillemot"
	if _, err := NewFollower(o, other); !errors.Is(err, ErrOtherBoat) || !strings.Contains(err.Error(), `it is for "kittiwake", this is "guillemot"`) {
		t.Errorf("another boat: %v", err)
	}
	b := newBench(t)
	unnamed := &report.Report{Devices: []report.Device{shown(device(99, 2003, boat.RolePower, "Sanderling Tavrik 7", "", ""))}}
	findUnits(unnamed)
	if _, err := NewFollower(b.order, unnamed); !errors.Is(err, ErrOtherBoat) {
		t.Errorf("a boat without id and without any of the devices: %v", err)
	}
	unnamed.Devices = append(unnamed.Devices, *b.head())
	findUnits(unnamed)
	if _, err := NewFollower(b.order, unnamed); !errors.Is(err, ErrOtherBoat) || !strings.Contains(err.Error(), "1 of 2 units") {
		t.Errorf("a boat that was given one of the units: %v", err)
	}
	unnamed.Devices = append(unnamed.Devices, b.report.Devices[1])
	findUnits(unnamed)
	if _, err := NewFollower(b.order, unnamed); err != nil {
		t.Error(err)
	}
}
