package sim

import (
	"testing"

	"muster/internal/event"
)

func TestTmp(t *testing.T) {
	for _, n := range Names() {
		sc, err := Load(n)
		if err != nil {
			t.Fatal(err)
		}
		s := New(sc, 1, event.Time(1780000000e9))
		var ev [256]event.Event
		kinds := map[event.Kind]int{}
		for s.Now() < event.Time(1780000000e9+300e9) {
			k, err := s.Read(ev[:])
			if err != nil {
				t.Fatal(err)
			}
			for i := range k {
				kinds[ev[i].Kind]++
				if ev[i].Kind == event.KindLine && kinds[ev[i].Kind] < 20 {
					t.Logf("%s", ev[i].Line)
				}
			}
		}
		t.Log(n, kinds, len(s.devices))
	}
}
