package snapshot

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/report"
)

// fleetBoat is a boat of ten units, whose boxes are numbered from first on.
func fleetBoat(id string, first int) *report.Report {
	r := &report.Report{Schema: report.V1, Boat: boat.Identity{ID: id}, TakenAt: fixture().TakenAt}
	for i := range 10 {
		n := first + i
		r.Devices = append(r.Devices, device(fmt.Sprintf("%016X", n), uint8(20+i), boat.RoleWind, fmt.Sprintf("GW%d wind", i),
			fmt.Sprintf("W-%d", n), "1.0", uint32(n), 0))
	}
	return r
}

func TestBelong(t *testing.T) {
	same := func(*report.Report) {}
	swap := func(n int) func(*report.Report) { // another box instead of each of so many
		return func(r *report.Report) { copy(r.Devices[:n], fleetBoat("", 500).Devices) }
	}
	for _, c := range []struct {
		name  string
		id    string
		after *report.Report
		edit  func(*report.Report)
		want  error
		says  string
	}{
		{"the same boat", "", fleetBoat("", 100), same, nil, ""},
		{"the same boat by another id", "wagtail", fleetBoat("curlew", 100), same, ErrAnotherBoat, "wagtail and curlew"},
		{"a sister boat with the same models", "", fleetBoat("", 200), same, ErrAnotherBoat,
			"0 of 10 units: GW0 wind (W-200) in place of GW0 wind (W-100), "},
		{"a sister boat under the same id", "wagtail", fleetBoat("wagtail", 200), same, ErrAnotherBoat, "0 of 10 units"},
		{"all replaced but one", "", fleetBoat("", 100), swap(9), ErrAnotherBoat, "1 of 10 units"},
		{"five of ten replaced", "", fleetBoat("", 100), swap(5), ErrAnotherBoat, "5 of 10 units"},
		{"four of ten replaced", "", fleetBoat("", 100), swap(4), nil, ""},
		{"half of them off", "", fleetBoat("", 100), func(r *report.Report) { r.Devices = r.Devices[:5] }, nil, ""},
		{"as many again put in", "", fleetBoat("", 100), func(r *report.Report) {
			r.Devices = append(r.Devices, fleetBoat("", 700).Devices...)
		}, nil, ""},
		{"nobody says who it is", "", fleetBoat("", 100), func(r *report.Report) { r.Devices = nil }, nil, ""},
		{"the wrong way round", "", fleetBoat("", 100), func(r *report.Report) {
			r.TakenAt = r.TakenAt.Add(-2 * time.Hour)
		}, ErrWrongWay, ""},
		{"the same snapshot twice", "", fleetBoat("", 100), func(r *report.Report) {
			r.TakenAt = r.TakenAt.Add(-time.Hour)
		}, ErrSame, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			before := New(fleetBoat(c.id, 100))
			c.after.TakenAt = c.after.TakenAt.Add(time.Hour)
			c.edit(c.after)
			after := New(c.after)
			_, err := Compare(before, after, Options{})
			if !errors.Is(err, c.want) || err != nil && !strings.Contains(err.Error(), c.says) {
				t.Errorf("got %v, want %v with %q", err, c.want, c.says)
			}
			if err != nil && strings.Count(err.Error(), "W-") > 6 {
				t.Errorf("more than three differences: %v", err)
			}
			got, err := Compare(before, after, Options{Because: "the shop changed all displays"})
			if wantErr := c.want == ErrSame; (err != nil) != wantErr {
				t.Errorf("with a reason: %v", err)
			} else if err == nil && got.Because != "the shop changed all displays" {
				t.Errorf("the reason is not kept: %q", got.Because)
			}
		})
	}
}

// TestShareCountsBoxes: a talker, or a device whose NAME numbers no unit, does not show which boat it is.
func TestShareCountsBoxes(t *testing.T) {
	before, after := fleetBoat("", 100), fleetBoat("", 100)
	for _, r := range []*report.Report{before, after} {
		for i := range r.Devices[:9] {
			r.Devices[i].Name.UniqueNumber, r.Devices[i].Product.Serial = 0, ""
		}
		r.Complete()
	}
	if s := Share(before, after); s.Units != 1 || s.Of != 1 || len(s.Differences) != 0 {
		t.Errorf("got %+v", s)
	}
	after.Devices = slices.Clone(after.Devices)
	after.Devices[9] = fleetBoat("", 300).Devices[9]
	after.Units = nil
	after.Complete()
	if s := Share(before, after); s.Units != 0 || s.Of != 1 || len(s.Differences) != 1 || s.Enough() {
		t.Errorf("got %+v", s)
	}
}
