package boat

import (
	"testing"
	"time"

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

// TestTalkerSoftware: the versions that a talker reported are kept as of a device; another unit begins again; what
// was known before is taken up.
func TestTalkerSoftware(t *testing.T) {
	ver := func(serial, software string) string {
		return sealed("GPVER,1,1,GP,LFN,GN5-" + serial + "," + serial + ",GN5 receiver," + software + ",B")
	}
	versions := func(past []Past, lines ...string) (got []string, r *State) {
		b := New(Options{})
		b.Remember(past)
		b.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}})
		for i, l := range lines {
			b.Feed(event.Event{Kind: event.KindLine, Time: epoch.Add(time.Duration(i) * time.Second), Line: []byte(l)})
		}
		r = b.State()
		for _, s := range r.Talkers[0].Software {
			got = append(got, s.Version)
		}
		return got, r
	}
	fix := sealed("GPGLL,5400.000,N,01000.000,E,120000,A")
	before := []Past{{ID: "ttyUSB0/GP", Network: "ttyUSB0", Unit: "GN5 receiver 77", Software: []Software{{"1.0", 5}}}, {ID: "ttyUSB1/GP", Network: "ttyUSB1", Software: []Software{{"9", 5}}}}
	for _, c := range []struct {
		name  string
		past  []Past
		lines []string
		want  []string
	}{
		{"told nothing", nil, []string{fix}, nil},
		{"told again", nil, []string{ver("77", "1.0"), ver("77", "1.0")}, []string{"1.0"}},
		{"updated", nil, []string{ver("77", "1.0"), fix, ver("77", "1.1")}, []string{"1.0", "1.1"}},
		{"exchanged", nil, []string{ver("77", "1.0"), ver("78", "1.0")}, []string{"1.0"}},
		{"known from before", before, []string{fix}, []string{"1.0"}},
		{"updated while nobody listened", before, []string{fix, ver("77", "1.2")}, []string{"1.0", "1.2"}},
		{"exchanged while nobody listened", before, []string{fix, ver("78", "1.2")}, []string{"1.2"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, r := versions(c.past, c.lines...)
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Error(diff)
			}
			if d, told := r.Talkers[0].Device(r.TakenAt); told {
				if diff := cmp.Diff(r.Talkers[0].Software, d.Software); diff != "" {
					t.Error(diff)
				}
			}
		})
	}
	if _, r := versions(nil, ver("77", "1.0"), ver("78", "1.1")); r.Talkers[0].Software[0].Since != epoch.Add(time.Second) || r.Talkers[0].Identity.Unit() != "GN5 receiver 78" {
		t.Errorf("%+v of %q", r.Talkers[0].Software, r.Talkers[0].Identity.Unit())
	}
}
