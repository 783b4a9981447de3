package snapshot

import (
	"bytes"
	"errors"
	"testing"

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

func TestHistoriesKeepBoatsApart(t *testing.T) {
	other := worked()
	other.Boat = boat.Identity{ID: "avocet"}
	if _, err := Histories([]*Snapshot{New(fixture()), New(other)}); !errors.Is(err, ErrAnotherBoat) {
		t.Errorf("got %v, want ErrAnotherBoat", err)
	}
}
