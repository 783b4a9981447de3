package snapshot

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/hosttest"
	"muster/internal/report"
)

// decimal is the order of the invented manufacturer's releases.
func decimal(_ *report.Device, a, b string) (int, bool) {
	var x, y float64
	if _, err := fmt.Sscan(a+" "+b, &x, &y); err != nil {
		return 0, false
	}
	switch {
	case x < y:
		return -1, true
	case x > y:
		return 1, true
	}
	return 0, true
}

func TestCompareClasses(t *testing.T) {
	for _, c := range []struct {
		name string
		edit func(*report.Report)
		want []string // class severity device order
	}{
		{"nothing", func(*report.Report) {}, nil},
		{"newer software", func(r *report.Report) { r.Devices[0].Product.Software = "4.5" }, []string{"software-changed info A1 newer"}},
		{"older software", func(r *report.Report) { r.Devices[0].Product.Software = "4.2" }, []string{"software-changed critical A1 older"}},
		{"unknown order", func(r *report.Report) { r.Devices[0].Product.Software = "beta" }, []string{"software-changed warning A1 unknown"}},
		{"moved", func(r *report.Report) { r.Devices[0].Address = ptr(uint8(9)) }, []string{"address-moved info A1"}},
		{"gone", func(r *report.Report) { r.Devices = r.Devices[:2] }, []string{"gone critical A3"}},
		{"gone by state", func(r *report.Report) { r.Devices[2].State = boat.Gone }, []string{"gone critical A3"}},
		{"new", func(r *report.Report) {
			r.Devices = append(r.Devices, device("00000000000000A9", 50, boat.RoleWind, "GW3 wind", "W-1", "1.0", 9, 0))
		}, []string{"new info A9"}},
		{"instance changed, and so the NAME", func(r *report.Report) {
			r.Devices[1].Name.DeviceInstance, r.Devices[1].ID = 4, "00000000000000B2"
		}, []string{"instance-changed warning B2"}},
		{"back at defaults", func(r *report.Report) {
			r.Devices[1].Name.DeviceInstance, r.Devices[1].ID = 0, "00000000000000B2"
			r.Devices[1].Installation = &boat.Installation{}
		}, []string{"settings-at-defaults critical B2"}},
		{"text lost", func(r *report.Report) { r.Devices[0].Installation = &boat.Installation{} }, []string{"installation-text-lost warning A1"}},
		{"text not told again", func(r *report.Report) { r.Devices[0].Installation = nil }, nil},
		{"text changed", func(r *report.Report) { r.Devices[0].Installation.Description1 = "flybridge" }, []string{"installation-text-changed info A1"}},
		{"replaced", func(r *report.Report) {
			d := device("00000000000000C3", 41, boat.RolePower, "Tavrik 7 battery monitor", "B-9", "2.1", 77, 0)
			r.Devices[2] = d
		}, []string{"replaced warning C3", "software-changed info C3 newer", "address-moved info C3"}},
		{"same unit, new unique number", func(r *report.Report) {
			r.Devices[2].ID, r.Devices[2].Name.UniqueNumber = "00000000000000C3", 77
		}, nil},
		{"stopped", func(r *report.Report) { r.Devices[1].Transmits = nil },
			[]string{"source-changed critical ", "message-stopped warning A2"}},
		{"source changed", func(r *report.Report) {
			r.Devices[2].Transmits, r.Devices[1].Transmits = r.Devices[1].Transmits, nil
		}, []string{"message-stopped warning A2", "source-changed warning "}},
		{"load", func(r *report.Report) { r.Networks[0].Load.Mean = .6 }, []string{"load-changed info "}},
		{"found of a unit that is gone", func(r *report.Report) {
			r.Alerts, r.Devices = r.Alerts[1:], r.Devices[1:]
		}, []string{"gone critical A1", "finding-not-judged info "}},
		{"found by a check that could not judge again", func(r *report.Report) {
			r.Alerts = r.Alerts[1:]
			r.Judged = &report.Judged{NotJudged: []report.Unjudged{{Check: "software-differs", Why: "nobody was asked"}}}
		}, []string{"finding-not-judged info "}},
		{"not there at the sealing", func(r *report.Report) { r.Alerts[0].AwaySince = noon }, []string{"finding-resolved info "}},
		{"resolved and new", func(r *report.Report) {
			r.Alerts[0].State = alert.StatusCleared
			r.Alerts = append(r.Alerts, alert.Alert{Check: "silent", Severity: check.Critical, State: alert.StatusOpen, Devices: []string{"00000000000000A3"}, Summary: "silent"})
		}, []string{"finding-new critical ", "finding-resolved info "}},
	} {
		t.Run(c.name, func(t *testing.T) {
			after := fixture()
			after.TakenAt = noon.Add(3 * time.Hour)
			c.edit(after)
			got, err := Compare(New(fixture()), New(after), Options{Order: decimal})
			if err != nil {
				t.Fatal(err)
			}
			var have []string
			for _, x := range got.Changes {
				if x.Class != FindingRemaining {
					have = append(have, strings.TrimSuffix(fmt.Sprintf("%s %s %s %s", x.Class, x.Severity, strings.TrimPrefix(x.Device, "00000000000000"), x.Order), " "))
				}
			}
			slices.Sort(have)
			slices.Sort(c.want)
			if diff := cmp.Diff(c.want, have); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// A fault that one device more or fewer has is the same fault: it was not repaired.
func TestSameFaultOfOtherDevices(t *testing.T) {
	before, after := fixture(), fixture()
	for _, r := range []*report.Report{before, after} {
		r.Alerts[0].ID = "software-differs:2001 LF9 display"
	}
	after.TakenAt = noon.Add(time.Hour)
	after.Alerts[0].Devices = append(after.Alerts[0].Devices, "00000000000000A3")
	after.Alerts[0].Summary = "three LF9 displays run different software"
	got, err := Compare(New(before), New(after), Options{})
	if err != nil {
		t.Fatal(err)
	}
	var have []string
	for _, x := range got.Changes {
		have = append(have, string(x.Class)+": "+x.Summary)
	}
	want := []string{"finding-remaining: three LF9 displays run different software", "finding-remaining: the load of can0 is high"}
	if diff := cmp.Diff(want, have); diff != "" {
		t.Error(diff)
	}
}

// A snapshot of an earlier version names its findings by former ids: they are the same findings.
func TestCompareFormerIDs(t *testing.T) {
	before, after := fixture(), fixture()
	before.Alerts = []alert.Alert{{ID: "bus-busy:can0", Check: "bus-busy", Severity: check.Warning, State: alert.StatusOpen, Summary: "can0 was busy"},
		{ID: "echo:a", Check: "echo", Severity: check.Warning, State: alert.StatusOpen, Summary: "depth came back"}}
	after.TakenAt = noon.Add(time.Hour)
	after.Alerts = []alert.Alert{{ID: "bus-load-high:can0", Check: "bus-load-high", Severity: check.Warning, State: alert.StatusOpen, Summary: "the load of can0 is high"}}
	got, err := Compare(New(before), New(after), Options{})
	if err != nil {
		t.Fatal(err)
	}
	var have []string
	for _, x := range got.Changes {
		have = append(have, string(x.Class)+" "+x.Before+x.After)
	}
	if diff := cmp.Diff([]string{"finding-remaining bus-load-high", "finding-resolved data-loop"}, have); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	if before.Alerts[0].Check != "bus-busy" {
		t.Error("comparing changed a sealed snapshot")
	}
}

func TestCompareRefusesAnotherBoat(t *testing.T) {
	other := fixture()
	other.Boat = boat.Identity{ID: "avocet", Name: "Avocet"}
	if _, err := Compare(New(fixture()), New(other), Options{}); !errors.Is(err, ErrAnotherBoat) {
		t.Errorf("got %v, want ErrAnotherBoat", err)
	}
	if _, err := Compare(New(fixture()), New(other), Options{AnotherBoat: true}); err != nil {
		t.Error(err)
	}
}

// worked is the story of one update: the display updated, the sounder back at its defaults, the battery monitor
// replaced.
func worked() *report.Report {
	r := fixture()
	r.TakenAt = noon.Add(3 * time.Hour)
	r.Devices[0].Product.Software = "4.5"
	r.Devices[1].ID, r.Devices[1].Name.DeviceInstance, r.Devices[1].Installation = "00000000000000B2", 0, &boat.Installation{}
	r.Devices[2] = device("00000000000000C3", 41, boat.RolePower, "Tavrik 7 battery monitor", "B-9\x1b[31m", "2.1", 77, 0)
	r.Alerts = r.Alerts[1:]
	return r
}

func TestCompareGolden(t *testing.T) {
	c, err := Compare(New(fixture()), New(worked()), Options{Order: decimal})
	if err != nil {
		t.Fatal(err)
	}
	got, err := json.MarshalIndent(c, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	file := hosttest.Testdata(t, "evidence/comparison.json")
	if *update {
		if err := os.WriteFile(file, append(got, '\n'), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)+"\n"); diff != "" {
		t.Error(diff)
	}
}

// TestOldNameLingers: a display that comes back at factory defaults has a new NAME while the report still lists the
// old one as silent.
func TestOldNameLingers(t *testing.T) {
	before, after := fixture(), fixture()
	sounder := before.Devices[1]
	lost := sounder
	lost.ID, lost.Name = "00000000000000B2", &boat.Name{UniqueNumber: 2, Manufacturer: sounder.Name.Manufacturer}
	lost.Installation = &boat.Installation{}
	after.Devices[1].State = boat.Silent
	after.Devices = append(after.Devices, lost)
	c, err := Compare(seal(t, before, nil), seal(t, after, nil), Options{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, x := range c.Changes {
		got = append(got, string(x.Class)+" "+x.Earlier+" "+x.Device)
	}
	if d := cmp.Diff([]string{"settings-at-defaults  00000000000000A2"}, slices.DeleteFunc(got, func(s string) bool { return strings.HasPrefix(s, "finding-") })); d != "" {
		t.Error(d)
	}
}
