package check_test

import (
	"errors"
	"io"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/sim"
)

// The simulated demo boat has two positions, a sounder and a compass in both worlds, all sound but for what its story breaks.
func TestDemoBoat(t *testing.T) {
	sc, err := sim.Load(t.Context(), "demo")
	if err != nil {
		t.Fatal(err)
	}
	s := sim.New(sc, 1, event.Time(1_780_000_000e9))
	b := boat.New(boat.Options{Clock: boat.ClockCapture})
	start := s.Now()
	next := start.Add(10 * time.Second)
	seen := map[string]event.Time{}
	var events [64]event.Event
	for s.Now() < start.Add(6*time.Minute) {
		n, err := s.Read(events[:])
		for i := range events[:n] {
			b.Feed(events[i])
			if b.Now() < next {
				continue
			}
			next = b.Now().Add(10 * time.Second)
			for _, f := range check.Judge(check.All(), b.State(), b.Now(), nil).Findings {
				if _, ok := seen[f.Check+": "+f.Subject]; !ok {
					seen[f.Check+": "+f.Subject] = b.Now()
					t.Logf("%6v %s %s", b.Now().Sub(start).Round(time.Second), f.Check, f.Summary)
				}
			}
		}
		if errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	for _, check := range []string{"data-loop", "clock-mismatch", "line-saturated", "garbled-line", "sentence-late"} {
		for key := range seen {
			if strings.HasPrefix(key, check+":") {
				t.Errorf("the sound part of the boat has %s", key)
			}
		}
	}
	if !slices.ContainsFunc(slices.Collect(maps.Keys(seen)), func(k string) bool { return strings.HasPrefix(k, "sources-disagree: depth") }) {
		t.Error("a sounder that is 3.5 m off is not noticed")
	}
}
