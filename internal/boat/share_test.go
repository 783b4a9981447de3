package boat_test

import (
	"errors"
	"io"
	"math"
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/sim"
)

// TestLoadOfUnits: the shares of the units make up the load of their backbone.
func TestLoadOfUnits(t *testing.T) {
	for _, name := range []string{"saturated", "fifty"} {
		sc, err := sim.Load(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		s := sim.New(sc, 1, event.Time(1_780_000_000e9))
		b := boat.New(boat.Options{Clock: boat.ClockCapture})
		var events [64]event.Event
		for end := s.Now().Add(30 * time.Second); s.Now() < end; {
			n, err := s.Read(events[:])
			b.Feed(events[:n]...)
			if errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatal(err)
			}
		}
		state, sum := b.State(), 0.0
		for i := range state.Devices {
			sum += state.Devices[i].Load
		}
		if whole := state.Networks[0].LoadRecent; math.Abs(sum-whole) > whole/10 {
			t.Errorf("%s: the units take %.3f of a load of %.3f", name, sum, whole)
		}
	}
}
