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
	b.Remember([]Past{{ID: name.String(), Network: "can0", FirstSeen: then, Restarts: 3, Software: []Software{{"1.0", then}}}}, 0)
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
		b.Remember(past, 0)
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

// again feeds what a later model receives, which was given the past of an earlier one's state.
func (w *wire) again(before *State) (*Boat, *State) {
	past := before.Unmet
	for i := range before.Devices {
		past = append(past, before.Devices[i].Past())
	}
	b := New(Options{})
	b.Remember(past, before.TakenAt)
	b.Feed(w.events...)
	return b, b.State()
}

// later is a wire on which traffic begins some time after that of another.
func (w *wire) later(after time.Duration) *wire {
	next := newWire()
	next.now = w.now.Add(after)
	return next
}

// TestPastOfAUnit: what a unit went through before the model began belongs to it, whatever it did in between.
func TestPastOfAUnit(t *testing.T) {
	one := testName(7, 120, 130)
	moved := withInstance(one, 3)
	first := newWire().claim(35, one).boxOf(35, "XT1", "1.0").speaks(35)
	before := first.state()

	t.Run("on all the while", func(t *testing.T) {
		_, s := first.later(time.Hour).claim(35, one).speaks(35).again(before)
		u := &s.Units[0]
		if len(s.Units) != 1 || len(u.Life.Absences) != 0 || u.Restarts != 0 || u.Life.Names[0].From != epoch || u.Life.Addresses[0].From != epoch {
			t.Errorf("%+v", u.Life)
		}
	})
	t.Run("away for a while after the start", func(t *testing.T) {
		second := first.later(time.Hour)
		second.claim(40, testName(9, 60, 140)).wait(5 * time.Minute)
		back := second.now
		_, s := second.claim(35, one).speaks(35).again(before)
		u := s.Unit(one.String())
		if diff := cmp.Diff([]Span{{first.now.Add(-100 * time.Millisecond), back}}, u.Life.Absences); len(u.Life.Absences) != 1 || u.Life.Absences[0].Until != back {
			t.Error(diff)
		}
		if u.Restarts != 1 || len(u.Life.Restarted) != 1 {
			t.Errorf("%d restarts at %v", u.Restarts, u.Life.Restarted)
		}
	})
	t.Run("another instance meanwhile", func(t *testing.T) {
		_, s := first.later(time.Hour).claim(35, moved).speaks(35).again(before)
		if diff := cmp.Diff([]string{moved.String() + " -" + one.String() + " [unique-number] aboard"}, assigned(s.Units)); diff != "" {
			t.Error(diff)
		}
		if u := &s.Units[0]; u.ID != one.String() || len(u.Life.Names) != 2 || u.Life.Names[0].Until == 0 || u.FirstSeen != epoch || u.Software[0].Version != "1.0" {
			t.Errorf("%s %+v", u.ID, u.Life)
		}
	})
	t.Run("another box under its NAME meanwhile", func(t *testing.T) {
		_, s := first.later(time.Hour).claim(35, one).boxOf(35, "XT2", "1.1").speaks(35).again(before)
		u := &s.Units[0]
		if len(u.Life.Before) != 1 || u.Life.Before[0].Serial != "XT1" || len(u.Software) != 1 || u.Software[0].Version != "1.1" {
			t.Errorf("%+v", u.Life)
		}
	})
	t.Run("nothing of it", func(t *testing.T) {
		b, s := first.later(time.Hour).claim(40, testName(9, 60, 140)).again(before)
		if len(s.Units) != 1 || len(s.Devices) != 1 || len(s.Unmet) != 1 || !s.Unmet[0].On {
			t.Errorf("%v, not met %+v", assigned(s.Units), s.Unmet)
		}
		b.Tick(s.TakenAt.Add(time.Hour))
		if s = b.State(); s.Unmet[0].On || s.Unmet[0].Heard[0].Until == 0 {
			t.Errorf("%+v", s.Unmet)
		}
		_, s = first.later(24*time.Hour).claim(35, one).again(s)
		if u := s.Unit(one.String()); len(u.Life.Absences) != 1 || u.Restarts != 1 {
			t.Errorf("%+v", u.Life)
		}
	})
	t.Run("another box in its place", func(t *testing.T) {
		other := testName(8, 120, 130)
		b, s := first.later(time.Hour).claim(36, other).boxOf(36, "XT2", "1.1").speaks(36).again(before)
		if u := s.Unit(other.String()); u.Life.Replaces != "" {
			t.Errorf("replaced while the other one may still show: %+v", u.Life)
		}
		w := &wire{now: s.TakenAt, seq: map[pgn.ID]uint8{}}
		w.wait(time.Hour).speaks(36)
		b.Feed(w.events...)
		s = b.State()
		if u, old := s.Unit(other.String()), s.Unit(one.String()); u.Life.Replaces != one.String() || old == nil || old.Aboard || old.Life.ReplacedBy != u.ID {
			t.Errorf("%+v replaces %+v", u.Life, old)
		}
		if n := len(s.Aboard()); n != 1 {
			t.Errorf("%d aboard", n)
		}
	})
}

// TestPastIsBounded: of what was recorded no more is taken up than devices are modelled; those that were received last.
func TestPastIsBounded(t *testing.T) {
	var past []Past
	for i := range 3000 {
		at := epoch.Add(time.Duration(i) * time.Second)
		past = append(past, Past{ID: testName(uint32(i+1), 120, 130).String(), Network: "can0", FirstSeen: at, Heard: []Span{{at, at}}})
	}
	b := New(Options{MaxDevices: 100})
	b.Remember(past, epoch)
	if len(b.past) != 100 || b.past[pastKey{"can0", testName(3000, 120, 130).String()}] == nil {
		t.Errorf("%d taken up", len(b.past))
	}
}

// TestPartsOfAUnitHaveNames: of a unit that came apart each part has a name of its own.
func TestPartsOfAUnitHaveNames(t *testing.T) {
	one := testName(7, 120, 130)
	moved := withInstance(one, 3)
	w := newWire().claim(35, one).speaks(35).wait(time.Minute).claim(35, moved).speaks(35)
	before := w.state()
	if len(before.Units) != 1 {
		t.Fatal(assigned(before.Units))
	}
	b, _ := w.later(time.Hour).claim(35, one).claim(36, moved).speaks(35, 36).again(before)
	b.SetDecisions([]Decision{{A: one.String(), B: moved.String()}})
	s := b.State()
	if len(s.Units) != 2 || s.Units[0].ID != one.String() || s.Units[1].ID != moved.String() {
		t.Errorf("%s and %s", s.Units[0].ID, s.Units[1].ID)
	}
}

// TestWhatAUnitWasLastKnownToBe: a device that has not reported its product since the model began shows what it was before, which is no
// product of it; as soon as it reports one, that alone counts.
func TestWhatAUnitWasLastKnownToBe(t *testing.T) {
	one := testName(7, 120, 130)
	first := newWire().claim(35, one).boxOf(35, "XT1", "1.0").speaks(35)
	before := first.state()
	_, s := first.later(time.Hour).claim(35, one).speaks(35).again(before)
	u := s.Unit(one.String())
	if u.Product != nil || u.Known == nil || u.Known.Product.Serial != "XT1" || u.Known.Product.Software != "1.0" || u.Known.At != before.TakenAt {
		t.Errorf("product %+v, last known %+v", u.Product, u.Known)
	}
	_, s = first.later(time.Hour).claim(35, one).boxOf(35, "XT1", "1.1").speaks(35).again(before)
	if u := s.Unit(one.String()); u.Known != nil || u.Product == nil || u.Product.Software != "1.1" {
		t.Errorf("product %+v, last known %+v", u.Product, u.Known)
	}
}

// TestSettingsOutliveTheModel: a setting that another device changed on a unit stays in the unit's life.
func TestSettingsOutliveTheModel(t *testing.T) {
	one := testName(7, 120, 130)
	first := newWire().claim(35, one).claim(36, testName(8, 60, 140)).speaks(35)
	first.send(pgnGroup, 36, 35, groupCommand, 0x00, 0xEE, 0, 0xF8, 1, 3, 5)
	before := first.state()
	if n := len(before.Unit(one.String()).Life.Commands); n != 1 {
		t.Fatalf("%d settings", n)
	}
	want := before.Unit(one.String()).Life.Commands
	for range 2 {
		next := first.later(time.Hour)
		_, s := next.claim(35, one).speaks(35).again(before)
		if diff := cmp.Diff(want, s.Unit(one.String()).Life.Commands); diff != "" {
			t.Error(diff)
		}
		first, before = next, s
	}
}

// TestTalkerAbsencesOutliveTheModel: when a talker was not received is in its unit's life, also what lies before the model began.
func TestTalkerAbsencesOutliveTheModel(t *testing.T) {
	now := epoch
	play := func(b *Boat, spans ...time.Duration) *State { // on, off, on, …
		b.Feed(event.Event{Kind: event.KindNetwork, Time: now, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}})
		for i, d := range spans {
			for end := now.Add(d); now < end; now = now.Add(time.Second) {
				if i%2 == 0 {
					b.Feed(event.Event{Kind: event.KindLine, Time: now, Line: []byte(sealed("SDDBT,10.0,f,3.0,M,1.6,F"))})
				}
			}
			b.Tick(now)
		}
		return b.State()
	}
	absences := func(s *State) (list []time.Duration) {
		for _, a := range s.Unit("ttyUSB0/SD").Life.Absences {
			list = append(list, a.Until.Sub(a.From).Round(time.Minute))
		}
		return list
	}
	restart := func(s *State) *Boat {
		past := s.Unmet
		for i := range s.Talkers {
			past = append(past, s.Talkers[i].Past(s.TakenAt))
		}
		b := New(Options{})
		b.Remember(past, s.TakenAt)
		return b
	}
	s := play(New(Options{}), time.Minute, 5*time.Minute, time.Minute)
	if diff := cmp.Diff([]time.Duration{5 * time.Minute}, absences(s)); diff != "" {
		t.Error(diff)
	}
	now = now.Add(20 * time.Minute) // nobody listened: it may have been on
	s = play(restart(s), time.Minute)
	if diff := cmp.Diff([]time.Duration{5 * time.Minute}, absences(s)); diff != "" {
		t.Error(diff)
	}
	s = play(restart(s), 0, 3*time.Minute, time.Minute) // received late
	s = play(restart(s), time.Minute, 8*time.Minute)    // off when the record ended
	s = play(restart(s), 0, 15*time.Minute)             // and in the next one
	if len(s.Unmet) != 1 || s.Unmet[0].On {
		t.Errorf("%+v", s.Unmet)
	}
	s = play(restart(s), time.Minute)
	if diff := cmp.Diff([]time.Duration{5 * time.Minute, 3 * time.Minute, 23 * time.Minute}, absences(s)); diff != "" {
		t.Error(diff)
	}
}
