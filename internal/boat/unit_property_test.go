package boat

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// drawEvidence draws presences that have much in common, so that they meet: few manufacturers, numbers, functions and times.
func drawEvidence(t *rapid.T) Evidence {
	e := Evidence{Now: epoch.Add(time.Hour)}
	for i := range rapid.IntRange(0, 7).Draw(t, "devices") {
		d := Device{ID: fmt.Sprintf("%016x", i), Network: rapid.SampledFrom([]string{"can0", "can1"}).Draw(t, "network"), State: Present}
		from := rapid.IntRange(0, 3).Draw(t, "from")
		until := rapid.IntRange(from, 4).Draw(t, "until")
		d.Heard = []Span{{epoch.Add(time.Duration(from) * time.Minute), epoch.Add(time.Duration(until) * time.Minute)}}
		d.FirstSeen, d.LastSeen, d.ClaimedAt = d.Heard[0].From, d.Heard[0].Until, d.Heard[0].From
		if rapid.IntRange(0, 5).Draw(t, "named") > 0 {
			d.Name = &Name{UniqueNumber: uint32(rapid.IntRange(0, 2).Draw(t, "unique")), Manufacturer: Coded{Code: 2001, Name: "Larkfin"},
				DeviceFunction: Coded{Code: uint32(rapid.IntRange(0, 1).Draw(t, "function"))}}
		}
		if serial := rapid.SampledFrom([]string{"", "0000", "A1", "A2"}).Draw(t, "serial"); serial != "" {
			code := uint16(7)
			d.Product = &Product{Code: &code, Model: "LF9", Serial: serial, Software: rapid.SampledFrom([]string{"4.47", "4.52"}).Draw(t, "software")}
			d.Software = []Software{{d.Product.Software, d.FirstSeen}}
		}
		e.Devices = append(e.Devices, d)
	}
	for _, letters := range rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"GP", "GN", "GL", "II"}), 0, 3, rapid.ID).Draw(t, "talkers") {
		k := Talker{Network: "line0", Talker: letters, First: epoch, Last: e.Now, Sentences: []Sentence{{Formatter: rapid.SampledFrom([]string{"GGA", "GSV", "HDT"}).Draw(t, "sentence")}}}
		if serial := rapid.SampledFrom([]string{"", "A1", "A2"}).Draw(t, "talker's serial"); serial != "" {
			k.Identity = &TalkerIdentity{Vendor: "Larkfin", Model: "LF9", Serial: serial}
		}
		e.Talkers = append(e.Talkers, k)
	}
	for i, serial := range rapid.SliceOfN(rapid.SampledFrom([]string{"", "A1"}), 0, 1).Draw(t, "by hand") {
		e.Manual = append(e.Manual, Manual{ID: fmt.Sprint("hand", i), Manufacturer: "Larkfin", Model: "LF9", Serial: serial})
	}
	return e
}

// shown is all that is reported of the units, but for the places of presences in lists.
func shown(units []Unit) (list []string) {
	for _, u := range units {
		for i := range u.Presences {
			u.Presences[i].At = 0
		}
		u.Life.Before = nil
		list = append(list, fmt.Sprintf("%s aboard %v %v %v %+v %+v", u.ID, u.Aboard, u.Why, u.State, u.Presences, u.Life))
	}
	return list
}

func copied(e Evidence) Evidence {
	e.Devices, e.Talkers, e.Manual = slices.Clone(e.Devices), slices.Clone(e.Talkers), slices.Clone(e.Manual)
	return e
}

// TestUnitsInAnyOrder: the same facts give the same units, in whatever order they are listed.
func TestUnitsInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := drawEvidence(t)
		var ids []string
		for i := range e.Devices {
			ids = append(ids, e.Devices[i].ID)
		}
		for range rapid.IntRange(0, 2).Draw(t, "decisions") {
			if len(ids) > 1 {
				pair := rapid.Permutation(ids).Draw(t, "pair")
				e.Decisions = append(e.Decisions, Decision{A: pair[0], B: pair[1], Same: rapid.Bool().Draw(t, "same")})
			}
		}
		other := copied(e)
		other.Devices = rapid.Permutation(e.Devices).Draw(t, "devices' order")
		other.Talkers = rapid.Permutation(e.Talkers).Draw(t, "talkers' order")
		other.Decisions = rapid.Permutation(e.Decisions).Draw(t, "decisions' order")
		if d := cmp.Diff(shown(e.Units()), shown(other.Units())); d != "" {
			t.Fatal("(-one order +another)", d)
		}
	})
}

// TestJoiningIsAssociative: what becomes known bit by bit ends in the same units as what is known at once, and every presence is in one.
func TestJoiningIsAssociative(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := drawEvidence(t)
		want := members(copied(all).Units())
		n := 0
		for _, u := range want {
			n += strings.Count(u, " ") + 1
		}
		if n != len(all.Devices)+len(all.Talkers)+len(all.Manual) {
			t.Fatalf("%d presences in units: %q", n, want)
		}
		order := rapid.Permutation(indices(len(all.Devices))).Draw(t, "order")
		known := copied(all)
		known.Devices = nil
		for len(order) > 0 {
			k := rapid.IntRange(1, len(order)).Draw(t, "at once")
			for _, i := range order[:k] {
				known.Devices = append(known.Devices, all.Devices[i])
			}
			order = order[k:]
			known.Units() // by which those of before keep the name of their unit
		}
		if d := cmp.Diff(want, members(known.Units())); d != "" {
			t.Fatal("(-at once +bit by bit)", d)
		}
	})
}

func indices(n int) (list []int) {
	for i := range n {
		list = append(list, i)
	}
	return list
}

// members are the sorted presences of each unit.
func members(units []Unit) (list []string) {
	for _, u := range units {
		var ids []string
		for _, p := range u.Presences {
			ids = append(ids, fmt.Sprint(p.Kind, p.ID))
		}
		slices.Sort(ids)
		list = append(list, strings.Join(ids, " "))
	}
	slices.Sort(list)
	return list
}

// TestOneBoxIsOneUnit: whatever one box does to its instance and its address, and however that mixes with what it sends, it is one unit
// when it has sent its product information and some ordinary traffic since.
func TestOneBoxIsOneUnit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWire()
		name, src := testName(7, 120, 130), uint8(3)
		w.claim(src, name)
		for range rapid.IntRange(1, 12).Draw(t, "steps") {
			switch rapid.IntRange(0, 4).Draw(t, "step") {
			case 0:
				name = withInstance(name, uint8(rapid.IntRange(0, 3).Draw(t, "instance")))
				w.claim(src, name)
			case 1:
				src = uint8(rapid.IntRange(3, 5).Draw(t, "address"))
				w.claim(src, name)
			case 2:
				w.boxOf(src, "XT100001", rapid.SampledFrom([]string{"4.47", "4.52"}).Draw(t, "software"))
			case 3:
				w.wait(time.Duration(rapid.SampledFrom([]int{1, 300, 20_000, 700_000}).Draw(t, "ms")) * time.Millisecond)
			case 4:
				w.speaks(src)
			}
		}
		s := w.claim(src, name).wait(300*time.Millisecond).boxOf(src, "XT100001", "4.52").speaks(src).state()
		if len(s.Aboard()) != 1 {
			t.Fatalf("%d aboard: %q", len(s.Aboard()), assigned(s.Units))
		}
		if u := s.Aboard()[0]; u.Address == nil || *u.Address != src || u.Product == nil || u.Product.Software != "4.52" {
			t.Fatalf("%+v", u.Device)
		}
	})
}
