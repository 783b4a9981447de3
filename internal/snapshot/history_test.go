package snapshot

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/boat"
)

func TestHistories(t *testing.T) {
	h, err := Histories([]*Snapshot{New(worked()), New(fixture())}) // later first: order is by time
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := WriteHistories(&b, h); err != nil {
		t.Fatal(err)
	}
	want := `LF9 head (H-1)
  4.47              2026-05-04 12:00:00 UTC to 2026-05-04 12:00:00 UTC
  4.5               2026-05-04 15:00:00 UTC to 2026-05-04 15:00:00 UTC
SD2 sounder (S-7)
  1.2               2026-05-04 12:00:00 UTC to 2026-05-04 15:00:00 UTC
BM1 battery monitor (B-3)
  2.0               2026-05-04 12:00:00 UTC to 2026-05-04 12:00:00 UTC
  2.1               2026-05-04 15:00:00 UTC to 2026-05-04 15:00:00 UTC
`
	if diff := cmp.Diff(want, b.String()); diff != "" {
		t.Error(diff)
	}
}

// TestTalkersHistories: a talker that tells its software has a history too, each unit of its letters one of its own.
func TestTalkersHistories(t *testing.T) {
	talks := func(r *boat.Report, serial, software string) *Snapshot {
		r.Devices = nil
		r.Talkers = []boat.Talker{{Network: "ttyUSB0", Talker: "II"}, {Network: "ttyUSB0", Talker: "GP", Last: r.TakenAt,
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
	var b bytes.Buffer
	if err := WriteHistories(&b, h); err != nil {
		t.Fatal(err)
	}
	want := `GN5 receiver (77)
  1.0               2026-05-04 12:00:00 UTC to 2026-05-04 12:00:00 UTC
  1.1               2026-05-04 15:00:00 UTC to 2026-05-04 15:00:00 UTC
GN5 receiver (78)
  1.0               2026-05-04 16:00:00 UTC to 2026-05-04 16:00:00 UTC
`
	if diff := cmp.Diff(want, b.String()); diff != "" {
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
