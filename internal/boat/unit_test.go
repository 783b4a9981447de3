package boat

import (
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/event"
	"muster/pgn"
)

// boxOf sends product information with a serial number, as a device at the address does that is of product 410.
func (w *wire) boxOf(src uint8, serial, software string) *wire {
	p := make([]byte, productLength)
	binary.LittleEndian.PutUint16(p, 2100)
	binary.LittleEndian.PutUint16(p[2:], 410)
	for i := 4; i < 132; i++ {
		p[i] = 0xFF
	}
	copy(p[4:], "LF9")
	copy(p[36:], software)
	copy(p[100:], serial)
	p[132], p[133] = 1, 2
	return w.send(pgnProduct, src, pgn.Global, p...)
}

// speaks sends a heading by the clock, so that a device that ends is missed.
func (w *wire) speaks(src ...uint8) *wire {
	for range 40 {
		for _, a := range src {
			w.send(127250, a, pgn.Global, heading...).wait(20 * time.Millisecond)
		}
		w.wait(80 * time.Millisecond)
	}
	return w
}

func withInstance(name pgn.NAME, instance uint8) pgn.NAME {
	f := name.Fields()
	f.DeviceInstance = instance
	return f.NAME()
}

// assigned shows units as "id: presences [reasons] aboard", with a minus before what was left behind.
func assigned(units []Unit) (list []string) {
	for _, u := range units {
		var b strings.Builder
		for _, p := range u.Presences {
			if b.Len() > 0 {
				b.WriteByte(' ')
			}
			if p.Left {
				b.WriteByte('-')
			}
			b.WriteString(p.ID)
		}
		fmt.Fprint(&b, " ", u.Why)
		if u.Aboard {
			b.WriteString(" aboard")
		}
		list = append(list, b.String())
	}
	slices.Sort(list)
	return list
}

func TestUnits(t *testing.T) {
	const serial = "XT100001"
	one, two := testName(7, 120, 130), testName(8, 120, 130)
	other := testName(7, 60, 145) // another function of the unique number
	moved := withInstance(one, 3)
	for _, c := range []struct {
		name string
		wire *wire
		want []string
	}{
		{"another instance at the same address", newWire().claim(3, one).boxOf(3, serial, "4.47").speaks(3).
			claim(3, moved).wait(300*time.Millisecond).boxOf(3, serial, "4.47").speaks(3),
			[]string{moved.String() + " -" + one.String() + " [serial unique-number] aboard"}},
		{"defaults restored, at another address, before it reports its product", newWire().claim(3, one).boxOf(3, serial, "4.47").speaks(3).wait(20*time.Second).
			claim(9, moved).speaks(9), []string{moved.String() + " -" + one.String() + " [unique-number] aboard"}},
		{"another instance, and goes on at once", newWire().claim(3, one).boxOf(3, serial, "4.47").speaks(3).claim(3, moved).speaks(3),
			[]string{moved.String() + " -" + one.String() + " [unique-number] aboard"}},
		{"another unique number, one serial number", newWire().claim(3, one).boxOf(3, serial, "4.47").speaks(3).wait(20*time.Second).
			claim(3, two).boxOf(3, serial, "4.52").speaks(3), []string{two.String() + " -" + one.String() + " [serial] aboard"}},
		{"two functions at once", newWire().claim(3, one).claim(4, other).boxOf(3, serial, "4.47").boxOf(4, serial, "4.47").speaks(3, 4),
			[]string{other.String() + " " + one.String() + " [serial unique-number] aboard"}},
		{"one serial number at once, one function, another unique number", newWire().claim(3, one).claim(4, two).boxOf(3, serial, "4.47").boxOf(4, serial, "4.47").
			speaks(3, 4), []string{one.String() + " [] aboard", two.String() + " [] aboard"}},
		{"one unique number at once, one function", newWire().claim(3, one).claim(4, moved).speaks(3, 4),
			[]string{one.String() + " [] aboard", moved.String() + " [] aboard"}},
		{"one unique number, two serial numbers", newWire().claim(3, one).boxOf(3, serial, "4.47").speaks(3).claim(3, moved).wait(300*time.Millisecond).boxOf(3, "XT100002", "4.47").speaks(3),
			[]string{one.String() + " [] aboard", moved.String() + " [] aboard"}},
		{"serial numbers of nothing but zeros", newWire().claim(3, one).claim(4, two).boxOf(3, "00000000", "4.47").boxOf(4, "00000000", "4.47").speaks(3, 4),
			[]string{one.String() + " [] aboard", two.String() + " [] aboard"}},
		{"unique numbers of nothing but zeros", newWire().claim(3, testName(0, 120, 130)).speaks(3).claim(4, withInstance(testName(0, 120, 130), 1)).speaks(4),
			[]string{testName(0, 120, 130).String() + " [] aboard", withInstance(testName(0, 120, 130), 1).String() + " [] aboard"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			slices.Sort(c.want)
			if d := cmp.Diff(c.want, assigned(c.wire.state().Units)); d != "" {
				t.Error("(-want +got)", d)
			}
		})
	}
}

// A unit keeps what it went through when its NAME changes.
func TestUnitKeepsItsLife(t *testing.T) {
	one := testName(7, 120, 130)
	two := withInstance(one, 3)
	s := newWire().claim(3, one).boxOf(3, "XT100001", "4.47").speaks(3).wait(30*time.Second).claim(9, two).boxOf(9, "XT100001", "4.52").speaks(9).state()
	if len(s.Units) != 1 {
		t.Fatal(assigned(s.Units))
	}
	u := s.Units[0]
	if u.ID != one.String() || u.Address == nil || *u.Address != 9 || len(s.Aboard()) != 1 {
		t.Errorf("unit %s at %v", u.ID, u.Address)
	}
	l := u.Life
	if len(l.Software) != 2 || l.Software[0].Version != "4.47" || l.Software[0].Until != l.Software[1].From || l.Software[1].Until != 0 {
		t.Errorf("software %+v", l.Software)
	}
	if len(l.Names) != 2 || l.Names[0].ID != one.String() || l.Names[0].Until == 0 || l.Names[1].ID != two.String() || l.Names[1].Until != 0 {
		t.Errorf("names %+v", l.Names)
	}
	if len(l.Instances) != 2 || l.Instances[1].DeviceInstance != 3 || len(l.Addresses) != 2 || l.Addresses[1].Address != 9 {
		t.Errorf("instances %+v, addresses %+v", l.Instances, l.Addresses)
	}
	if len(l.Absences) != 1 || l.Absences[0].From != l.Names[0].Until || l.Absences[0].Until != l.Names[1].From {
		t.Errorf("absences %+v", l.Absences)
	}
}

// A decision by hand counts for more than what was received.
func TestUnitsByHand(t *testing.T) {
	one, two := testName(7, 120, 130), testName(8, 120, 130)
	w := newWire().claim(3, one).claim(4, two).boxOf(3, "XT100001", "4.47").boxOf(4, "XT100002", "4.47").speaks(3, 4)
	b := w.feed(Options{})
	b.SetDecisions([]Decision{{A: one.String(), B: two.String(), Same: true}})
	if got := assigned(b.State().Units); !slices.Equal(got, []string{one.String() + " " + two.String() + " [by-hand] aboard"}) {
		t.Error(got)
	}
	moved := withInstance(one, 3)
	b = newWire().claim(3, one).speaks(3).claim(3, moved).speaks(3).feed(Options{})
	b.SetDecisions([]Decision{{A: one.String(), B: moved.String()}})
	if got := b.State().Units; len(got) != 2 {
		t.Error(assigned(got))
	}
}

// A bus that invents NAMEs makes no more units than there is room for, and what made way or found no room is counted.
func TestUnitsUnderChurn(t *testing.T) {
	const room, names = 16, 200
	w := newWire()
	for i := range uint32(names) {
		w.claim(uint8(i%100), testName(1000+i, 120, 130)).wait(time.Minute)
		w.every(20*time.Millisecond, 3, 127250, uint8(i%100), heading...)
	}
	s := w.feed(Options{MaxDevices: room}).State()
	faults := s.Networks[0].Faults
	if len(s.Units) != room || faults.Displaced == 0 || faults.Displaced+faults.Untracked < names-room {
		t.Errorf("%d units, %d displaced, %d without room", len(s.Units), faults.Displaced, faults.Untracked)
	}
}

func TestNoAllocationForUnits(t *testing.T) {
	one := testName(7, 120, 130)
	b := newWire().claim(3, one).boxOf(3, "XT100001", "4.47").speaks(3).claim(3, withInstance(one, 3)).boxOf(3, "XT100001", "4.47").speaks(3).feed(Options{})
	w := newWire()
	w.now = b.Now()
	w.events = nil
	w.wait(time.Second).claim(3, one).claim(3, withInstance(one, 3)).boxOf(3, "XT100001", "4.47").speaks(3)
	events := slices.Clone(w.events)
	span := events[len(events)-1].Time.Sub(events[0].Time) + time.Second
	feed := func() {
		b.Feed(events...)
		for i := range events {
			events[i].Time = events[i].Time.Add(span)
		}
	}
	for range maxSpans + 2 { // until all that is kept of the past is full
		feed()
	}
	if n := testing.AllocsPerRun(3, feed); n > 0 {
		t.Errorf("%v allocations for %d frames", n, len(events))
	}
}

// TestSuccession: who took the place of whom, also twice in one place, and nothing where it cannot be known.
func TestSuccession(t *testing.T) {
	box := func(unique uint32) pgn.NAME { return testName(unique, 120, 130) }
	w := newWire()
	on := func(unique uint32, src uint8) {
		w.claim(src, box(unique)).wait(300*time.Millisecond).boxOf(src, fmt.Sprint("XT", unique), "4.52").speaks(src)
	}
	show := func(units []Unit) (list []string) {
		for _, u := range units {
			line := u.Product.Serial
			if u.Aboard {
				line += " aboard"
			}
			for _, s := range []struct {
				words, id string
				at        int64
			}{{" replaces ", u.Life.Replaces, int64(u.Life.ReplacesSince)}, {" replaced by ", u.Life.ReplacedBy, int64(u.Life.ReplacedSince)}} {
				if (s.id == "") != (s.at == 0) {
					t.Errorf("%s%sof %q since %d", line, s.words, s.id, s.at)
				}
				if s.id != "" {
					line += s.words + (&State{Units: units}).Unit(s.id).Product.Serial
				}
			}
			list = append(list, line)
		}
		return list
	}
	for _, step := range []struct {
		do   func()
		want []string
	}{
		{func() { on(7, 3) }, []string{"XT7 aboard"}},
		{func() { w.wait(20 * time.Second); on(8, 3) }, []string{"XT7 replaced by XT8", "XT8 aboard replaces XT7"}},
		{func() { w.wait(20 * time.Second); on(9, 3) }, []string{"XT7 replaced by XT8", "XT8 replaces XT7 replaced by XT9", "XT9 aboard replaces XT8"}},
		{func() { w.wait(5 * time.Second); on(10, 4) }, // for a moment both could be the one that came after
			[]string{"XT7 replaced by XT8", "XT8 replaces XT7 replaced by XT9", "XT9 aboard replaces XT8", "XT10 aboard"}},
	} {
		step.do()
		if d := cmp.Diff(step.want, show(w.state().Units)); d != "" {
			t.Error("(-want +got)", d)
		}
	}
	// Two that fall silent, and one that comes: nobody knows whose place it took.
	w = newWire()
	on(7, 3)
	on(8, 4)
	w.speaks(3, 4).wait(20 * time.Second)
	on(9, 3)
	if got := show(w.state().Units); slices.ContainsFunc(got, func(s string) bool { return strings.Contains(s, "replace") }) {
		t.Error(got)
	}
}

// TestJoinLives: two accounts of one unit are one life: what goes on in both is one spell, what came between divides.
func TestJoinLives(t *testing.T) {
	at := func(minute int) event.Time { return epoch.Add(time.Duration(minute) * time.Minute) }
	span := func(from, until int) Span { return Span{at(from), at(until)} }
	earlier := Life{
		Software:  []Ran{{"4.47", span(1, 20)}},
		Names:     []NameUse{{"A", "can0", span(1, 10)}, {"F", "can0", span(1, 20)}, {"B", "can0", span(10, 20)}},
		Addresses: []AddressSpell{{"can0", 35, Span{From: at(1)}}},
		Absences:  []Span{span(4, 5)}, Restarts: 3, Restarted: []event.Time{at(5)},
		Replaces: "X", ReplacesSince: at(1),
	}
	life := Life{
		Software:  []Ran{{"4.47", span(30, 40)}, {"4.52", Span{From: at(40)}}},
		Names:     []NameUse{{"A", "can0", Span{From: at(30)}}, {"F", "can0", Span{From: at(30)}}},
		Addresses: []AddressSpell{{"can0", 35, Span{From: at(30)}}},
		Absences:  []Span{span(4, 5), span(35, 36)}, Restarts: 1, Restarted: []event.Time{at(5), at(36)},
		ReplacedBy: "Y", ReplacedSince: at(50),
	}
	past := earlier.Closed(at(20))
	life.Join(&past)
	want := Life{
		Software: []Ran{{"4.47", span(1, 40)}, {"4.52", Span{From: at(40)}}},
		Names: []NameUse{{"A", "can0", span(1, 10)}, {"F", "can0", Span{From: at(1)}}, {"B", "can0", span(10, 20)},
			{"A", "can0", Span{From: at(30)}}},
		Addresses: []AddressSpell{{"can0", 35, Span{From: at(1)}}},
		Absences:  []Span{span(4, 5), span(35, 36)}, Restarts: 3, Restarted: []event.Time{at(5), at(36)},
		Replaces: "X", ReplacesSince: at(1), ReplacedBy: "Y", ReplacedSince: at(50),
	}
	if d := cmp.Diff(want, life); d != "" {
		t.Error("(-want +got)", d)
	}
	var long Life
	for i := range 3 * maxLife {
		long.Join(&Life{Absences: []Span{span(2*i, 2*i+1)}, Names: []NameUse{{fmt.Sprint(i), "can0", span(2*i, 2*i+1)}}})
	}
	if len(long.Absences) != maxLife || len(long.Names) != maxLife || long.Absences[maxLife-1] != span(6*maxLife-2, 6*maxLife-1) {
		t.Errorf("%d absences, %d names", len(long.Absences), len(long.Names))
	}
}
