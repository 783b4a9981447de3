package boat

import (
	"testing"

	"muster/internal/event"
	"muster/internal/quantity"
	"muster/pgn"
)

// TestDrop: a network that is dropped is forgotten with its devices and values; the others stay, and its number can be used again.
func TestDrop(t *testing.T) {
	const now = event.Time(1e18)
	b := New(Options{})
	for i, id := range []string{"can0", "can1"} {
		b.Feed(event.Event{Kind: event.KindNetwork, Network: uint16(i), Time: now, Info: &event.Network{ID: id, Kind: event.NMEA2000}})
		b.nets[i].devices = append(b.nets[i].devices, newDevice(b.nets[i], 35, pgn.NAME(i+7), true, now))
	}
	var all []*source
	for i := range 5 {
		s := &source{net: b.nets[i%2], d: b.nets[i%2].devices[0]}
		s.put(ClockOffset, float64(i), 0, now)
		all = append(all, s)
	}
	echo := func(n int) (e quantity.Echo) { // one that differs from the others
		var x quantity.Series
		x.Put(quantity.Step{At: now})
		for range n {
			e.Look(&x, &x)
		}
		return e
	}
	slots := b.sources.slots[ClockOffset]
	for i, x := range slots {
		for j := range slots {
			x.echoes[j] = echo(10*i + j)
		}
	}
	b.Drop(1)
	b.Drop(1)
	b.Drop(9)
	kept := b.sources.slots[ClockOffset]
	if len(kept) != 3 {
		t.Fatalf("%d values kept", len(kept))
	}
	for i, x := range kept {
		if x.src != all[2*i] {
			t.Errorf("value %d is of another source", i)
		}
		for j := range kept {
			if got, _, _ := x.echoes[j].Result(); got != 10*2*i+2*j {
				t.Errorf("echo from %d to %d is %d", i, j, got)
			}
		}
		if x.echoes[3] != (quantity.Echo{}) || x.echoes[4] != (quantity.Echo{}) {
			t.Errorf("echoes of %d: %v", i, x.echoes[:5])
		}
	}
	if r := b.State(); len(r.Networks) != 1 || len(r.Devices) != 1 || r.Devices[0].Network != "can0" {
		t.Errorf("networks %+v", r.Networks)
	}
	b.Feed(event.Event{Kind: event.KindNetwork, Network: 1, Time: now, Info: &event.Network{ID: "gps", Kind: event.NMEA0183}})
	if r := b.State(); len(r.Networks) != 2 || r.Networks[1].ID != "gps" || len(r.Devices) != 1 {
		t.Errorf("networks %+v", r.Networks)
	}
}
