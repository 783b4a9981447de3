package boat

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/event"
	"muster/pgn"
)

func TestRemember(t *testing.T) {
	const then, now = event.Time(1e18), event.Time(2e18)
	name := pgn.NameFields{UniqueNumber: 7, Manufacturer: 2001, IndustryGroup: 4}.NAME()
	b := New(Options{})
	b.Remember([]Past{{ID: name.String(), Network: "can0", FirstSeen: then, Restarts: 3, Software: []Software{{"1.0", then}}}})
	n := newNetwork(b, event.Network{ID: "can0", Kind: event.NMEA2000})
	provisional := newDevice(n, 35, 0, false, now)
	provisional.identity.ran("1.1", now)
	n.keepName(provisional, name)
	if provisional.firstSeen != then || provisional.restarts != 3 {
		t.Errorf("first seen %v, %d restarts", provisional.firstSeen, provisional.restarts)
	}
	if diff := cmp.Diff([]Software{{"1.0", then}, {"1.1", now}}, provisional.identity.software); diff != "" {
		t.Error(diff)
	}
	if d := n.newNamed(36, name+1, now); d.firstSeen != now {
		t.Errorf("a stranger was first seen %v", d.firstSeen)
	}
}
