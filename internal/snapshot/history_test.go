package snapshot

import (
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
)

func TestHistories(t *testing.T) {
	h, err := Histories([]*Snapshot{New(worked()), New(fixture())}) // later first: order is by time
	if err != nil {
		t.Fatal(err)
	}
	later := noon.Add(3 * time.Hour)
	want := []History{
		{Device: "00000000000000A1", Role: boat.RoleDisplay, Label: "LF9 display (H-1)", Runs: []Run{{"4.47", noon, noon}, {"4.5", later, later}}},
		{Device: "00000000000000B2", Role: boat.RoleDepth, Label: "SD2 sounder (S-7)", Runs: []Run{{"1.2", noon, later}}},
		{Device: "00000000000000C3", Role: boat.RolePower, Label: "Tavrik 7 battery monitor (B-3)", Runs: []Run{{"2.0", noon, noon}, {"2.1", later, later}}},
	}
	if diff := cmp.Diff(want, h); diff != "" {
		t.Error(diff)
	}
}

// A version that comes back, and one that no snapshot was taken of, are where the device's own history has them,
// once.
func TestVersionComesBack(t *testing.T) {
	at := func(minutes int) event.Time { return noon.Add(time.Duration(minutes) * time.Minute) }
	var all []*Snapshot
	for _, s := range []struct {
		taken event.Time
		told  []boat.Software
	}{
		{at(10), []boat.Software{{Version: "4.47", Since: at(0)}}},
		{at(40), []boat.Software{{Version: "4.47", Since: at(0)}, {Version: "4.52", Since: at(20)}, {Version: "4.47", Since: at(30)}}},
		{at(60), []boat.Software{{Version: "4.47", Since: at(0)}, {Version: "4.52", Since: at(20)}, {Version: "4.47", Since: at(30)}, {Version: "4.52", Since: at(50)}}},
		{at(70), []boat.Software{{Version: "4.52", Since: at(65)}}}, // started again
	} {
		r := fixture()
		r.TakenAt, r.Devices = s.taken, r.Devices[:1]
		r.Devices[0].Software, r.Devices[0].Product.Software = s.told, s.told[len(s.told)-1].Version
		all = append(all, New(r))
	}
	h, err := Histories(all)
	if err != nil {
		t.Fatal(err)
	}
	want := []Run{{"4.47", at(0), at(20)}, {"4.52", at(20), at(30)}, {"4.47", at(30), at(50)}, {"4.52", at(50), at(70)}}
	if diff := cmp.Diff(want, h[0].Runs); diff != "" {
		t.Error(diff)
	}
}

// TestTalkersHistories: a talker that reports its software has a history too, each unit of its letters one of its
// own.
func TestTalkersHistories(t *testing.T) {
	talks := func(r *report.Report, serial, software string) *Snapshot {
		r.Devices = nil
		r.Talkers = []report.Talker{{Network: "ttyUSB0", Talker: "II"}, {Network: "ttyUSB0", Talker: "GP", Live: &boat.Talker{Last: r.TakenAt},
			Identity: &boat.TalkerIdentity{Model: "GN5 receiver", Serial: serial, Software: software},
			Software: []boat.Software{{Version: software, Since: r.TakenAt}}}}
		return New(r)
	}
	later := worked()
	later.TakenAt = later.TakenAt.Add(time.Hour)
	h, err := Histories([]*Snapshot{talks(fixture(), "77", "1.0"), talks(worked(), "77", "1.1"), talks(later, "78", "1.0")})
	if err != nil {
		t.Fatal(err)
	}
	for i := range h {
		h[i].Device, h[i].Role = "", ""
	}
	at := func(hours int) event.Time { return noon.Add(time.Duration(hours) * time.Hour) }
	until := func(hours int) boat.Life {
		return boat.Life{Names: []boat.NameUse{{ID: "ttyUSB0/GP", Network: "ttyUSB0", Span: boat.Span{Until: at(hours)}}}}
	}
	want := []History{{Label: "GN5 receiver (77)", Runs: []Run{{"1.0", at(0), at(0)}, {"1.1", at(3), at(3)}}, Life: until(3)},
		{Label: "GN5 receiver (78)", Runs: []Run{{"1.0", at(4), at(4)}}, Life: until(4)}}
	if diff := cmp.Diff(want, h); diff != "" {
		t.Error(diff)
	}
}

func TestHistoriesKeepBoatsApart(t *testing.T) {
	other := worked()
	other.Boat = boat.Identity{ID: "avocet"}
	if _, err := Histories([]*Snapshot{New(fixture()), New(other)}); !errors.Is(err, ErrAnotherBoat) {
		t.Errorf("got %v, want ErrAnotherBoat", err)
	}
}

// TestHistoryOfALife: what a unit went through is put together from its snapshots under whatever NAME, that of a unit which was replaced too.
func TestHistoryOfALife(t *testing.T) {
	at := func(minutes int) event.Time { return noon.Add(time.Duration(minutes) * time.Minute) }
	var all []*Snapshot
	for i, life := range []boat.Life{
		{Names: []boat.NameUse{{ID: "A", Network: "can0", Span: boat.Span{From: at(0)}}}, Restarts: 1, Restarted: []event.Time{at(5)}},
		{Names: []boat.NameUse{{ID: "A", Network: "can0", Span: boat.Span{From: at(0), Until: at(60)}}, {ID: "B", Network: "can0", Span: boat.Span{From: at(60)}}},
			Absences: []boat.Span{{From: at(61), Until: at(62)}}, ReplacedBy: "X", ReplacedSince: at(90)},
	} {
		s := New(fixture())
		s.Report.TakenAt = at(10 + 90*i)
		u := &s.Report.Units[0]
		u.Life = life
		if i == 1 {
			u.Aboard, u.State, u.Device.LastSeen = false, boat.Gone, at(80)
		}
		all = append(all, s)
	}
	h, err := Histories(all)
	if err != nil {
		t.Fatal(err)
	}
	want := boat.Life{
		Names:    []boat.NameUse{{ID: "A", Network: "can0", Span: boat.Span{From: at(0), Until: at(60)}}, {ID: "B", Network: "can0", Span: boat.Span{From: at(60), Until: at(80)}}},
		Restarts: 1, Restarted: []event.Time{at(5)}, Absences: []boat.Span{{From: at(61), Until: at(62)}}, ReplacedBy: "X", ReplacedSince: at(90),
	}
	if diff := cmp.Diff(want, h[0].Life); diff != "" {
		t.Error(diff)
	}
}
