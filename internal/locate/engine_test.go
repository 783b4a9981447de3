package locate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"muster/internal/backbone"
)

// line is a layout of n tees "1" to "n" in a line, each with units, fed in the middle, terminated at both ends.
func line(n, unitsEach int) *backbone.Layout {
	l := &backbone.Layout{}
	for i := range n {
		at := fmt.Sprint(i + 1)
		if i > 0 {
			l.Segments = append(l.Segments, backbone.Segment{From: fmt.Sprint(i), To: at, Length: 3, Cable: "mini"})
		}
		t := backbone.Tee{At: at}
		for k := range unitsEach {
			name := fmt.Sprintf("u%d", i+1)
			if k > 0 {
				name += string(rune('a' + k))
			}
			t.Drops = append(t.Drops, backbone.Drop{At: at, Length: 2, Device: name, Name: fmt.Sprintf("%016x", i*10+k+1), Load: 2})
		}
		l.Tees = append(l.Tees, t)
	}
	l.Terminators = []string{"1", fmt.Sprint(n)}
	l.Power = []backbone.Power{{At: fmt.Sprint((n + 1) / 2), Voltage: 12.6, Fuse: 4, Cable: "mini", Length: 2}}
	return l
}

// quietEvidence is that of a network without a fault.
func quietEvidence(l *backbone.Layout) *Evidence {
	ev := &Evidence{Units: make([]Sight, len(l.Drops()))}
	for i := range ev.Units {
		ev.Units[i].Outcome = Steady
	}
	return ev
}

// read gives the evidence a reading.
func (ev *Evidence) read(t testing.TB, l *backbone.Layout, texts ...string) {
	t.Helper()
	for _, text := range texts {
		r, err := ParseReading(l, text)
		if err != nil {
			t.Fatal(err)
		}
		ev.Readings = append(ev.Readings, r)
	}
}

// TestAgainstEnumeration: the classes give what weighing every cause and every pair of causes one by one gives.
func TestAgainstEnumeration(t *testing.T) {
	for seed := range uint64(6) {
		rng := rand.New(rand.NewPCG(seed, 1))
		l := line(3, 1)
		ev := quietEvidence(l)
		for i := range ev.Units {
			ev.Units[i].Outcome = Outcome(1 + rng.IntN(int(outcomes)-1))
		}
		ev.Errors = level(rng.IntN(int(levels)))
		if seed%2 == 1 {
			ev.read(t, l, "tee 3: 11.9 V", "signal wires at 1: 118 ohm", "unplugged u2: errors stay")
		}
		e := &New(l, Options{At: map[bool]string{true: "2"}[seed%3 == 0]}).engine
		e.ev, e.items = ev, ev.Readings
		e.classify()
		e.weigh()
		got := e.shares

		weights := make([]float64, len(e.list))
		total := 0.0
		healthy := cause{way: &way{}, effects: make([]effect, len(e.drops)), wound: wound{drop: -1}}
		total += healthyOdds*math.Exp(e.logFit(healthy.effects, quiet, e.predictions(&healthy), 1)) + otherOdds*math.Exp(e.otherFit())
		for i := range e.list {
			a := &e.list[i]
			w := a.prior * e.share(a.lo, a.hi) * math.Exp(e.logFit(a.effects, a.way.errors, e.predictions(a), 1))
			weights[i] += w
			total += w
			for k := range i {
				b := &e.list[k]
				if a.part == b.part {
					continue
				}
				both := make([]effect, len(a.effects))
				for d := range both {
					both[d] = max(a.effects[d], b.effects[d])
				}
				w := a.prior * b.prior * e.share(max(a.lo, b.lo), min(a.hi, b.hi)) *
					math.Exp(e.logFit(both, max(a.way.errors, b.way.errors), e.predictions(a, b), 2))
				weights[i] += w
				weights[k] += w
				total += w
			}
		}
		for i := range weights {
			near(t, fmt.Sprintf("seed %d: %s, %s", seed, e.parts[e.list[i].part].Name, e.list[i].way.fault), got[i], weights[i]/total, 2e-3+e.leftOut)
		}
	}
}

// TestPlaces: what a technician would conclude of plain cases.
func TestPlaces(t *testing.T) {
	l := line(5, 2)
	for _, c := range []struct {
		name   string
		silent []string
		errors level
		at     string
		read   []string
		want   string
	}{
		{"one side silent", []string{"u4", "u4b", "u5", "u5b"}, some, "1", nil, "cable 3 – 4"},
		{"one unit silent", []string{"u2"}, quiet, "1", nil, "unit u2"},
		{"its plug has no power", []string{"u2"}, quiet, "1", []string{"u2: 0 V"}, "connector u2"},
		{"its connector was exchanged", []string{"u2"}, quiet, "1", []string{"u2: 0 V", "checked connector u2: OK"}, "drop u2"},
		{"all silent, no voltage", []string{"u1", "u1b", "u2", "u2b", "u3", "u3b", "u4", "u4b", "u5", "u5b"}, quiet, "1", []string{"tee 2: 0 V"}, "fuse 3"},
		{"one terminator", nil, some, "1", []string{"signal wires at 1: 119 ohm"}, "terminator "},
		{"three terminators", nil, some, "1", []string{"signal wires at 1: 40 ohm"}, "terminator "},
	} {
		t.Run(c.name, func(t *testing.T) {
			ev := quietEvidence(l)
			n := newNetwork(l, "")
			for _, name := range c.silent {
				ev.Units[slices.Index(n.names, name)].Outcome = Silent
			}
			ev.Errors = c.errors
			ev.Onsets = min(1, len(c.silent))
			ev.read(t, l, c.read...)
			r := Locate(l, ev, Options{At: c.at})
			if len(r.Places) == 0 || len(r.Places[0].Part) < len(c.want) || r.Places[0].Part[:len(c.want)] != c.want {
				t.Errorf("first %+v, want %s", r.Places, c.want)
			}
		})
	}
}

// TestTwoFaults: two units silent at different moments are two faults, and both are listed.
func TestTwoFaults(t *testing.T) {
	l := line(5, 2)
	ev := quietEvidence(l)
	n := newNetwork(l, "")
	for _, name := range []string{"u1", "u5"} {
		ev.Units[slices.Index(n.names, name)].Outcome = Silent
	}
	ev.Onsets = 2
	r := Locate(l, ev, Options{At: "3"})
	sum := map[string]float64{}
	for _, p := range r.Places {
		sum[p.Part[len(p.Part)-2:]] += p.Probability
	}
	if sum["u1"] < .8 || sum["u5"] < .8 {
		t.Errorf("places %+v", r.Places)
	}
}

// TestTomography: of five tees in a line with one unit each, all single opens differ for a listener at the first tee but the last cable
// and the last drop; from the third tee, at both ends (calculated). The units' own faults and whole tees are left out here.
func TestTomography(t *testing.T) {
	l := line(5, 1)
	l.Power = nil
	for i := range 5 { // every unit has its own supply, so that only the data pair counts
		l.Power = append(l.Power, backbone.Power{At: fmt.Sprint(i + 1), Voltage: 12.6})
	}
	for at, want := range map[string][][2]string{
		"1": {{"cable 4 – 5", "drop u5"}},
		"3": {{"cable 1 – 2", "drop u1"}, {"cable 4 – 5", "drop u5"}},
	} {
		e := New(l, Options{At: at})
		var same [][2]string
		for i := range e.list {
			for k := range i {
				a, b := &e.list[k], &e.list[i]
				part := [2]Part{e.parts[a.part], e.parts[b.part]}
				if part[0].Kind > part[1].Kind {
					a, b, part[0], part[1] = b, a, part[1], part[0]
				}
				counts := func(c *cause, p Part) bool {
					return c.way.fault == "open" && (p.Kind == kindCable && c.way.breaks == data || p.Kind == kindDrop)
				}
				if counts(a, part[0]) && counts(b, part[1]) && slices.Equal(a.effects, b.effects) {
					same = append(same, [2]string{part[0].Name, part[1].Name})
				}
			}
		}
		slices.SortFunc(same, func(a, b [2]string) int { return slices.Compare(a[:], b[:]) })
		if !slices.Equal(same, want) {
			t.Errorf("from tee %s these look the same: %v, want %v", at, same, want)
		}
	}
}

// TestContradiction: a reading that no fault explains beside all the rest is said to.
func TestContradiction(t *testing.T) {
	l := line(5, 2)
	ev := quietEvidence(l)
	ev.read(t, l, "signal wires at 1: 60 ohm", "signal wires at 5: 60 ohm", "tee 1: 12.4 V", "tee 2: 12.5 V", "tee 3: 2 V", "tee 4: 12.5 V")
	r := Locate(l, ev, Options{})
	for i, w := range r.Readings {
		if w.Contradicts != (i == 4) {
			t.Errorf("%s: contradicts %v", w.Reading, w.Contradicts)
		}
	}
}

// BenchmarkLocate is 60 units, pairs and readings.
func BenchmarkLocate(b *testing.B) {
	l, ev := sixty(b)
	b.ReportAllocs()
	for b.Loop() {
		Locate(l, ev, Options{})
	}
}

// sixty is a network of 60 units of which the last 19 are silent.
func sixty(t testing.TB) (*backbone.Layout, *Evidence) {
	l := line(30, 2)
	ev := quietEvidence(l)
	for i := range ev.Units {
		if i > 40 {
			ev.Units[i].Outcome = Silent
		}
	}
	ev.Onsets = 1
	ev.read(t, l, "tee 20: 12.1 V", "tee 25: 12.0 V", "signal wires at 1: 120 ohm")
	return l, ev
}

// TestBareLayouts: a layout without units, or of one cable, gives an answer.
func TestBareLayouts(t *testing.T) {
	for _, units := range []int{0, 1} {
		l := line(2, units)
		for _, at := range []string{"", "2"} {
			r := Locate(l, quietEvidence(l), Options{At: at})
			if !(r.NoFault > .5 && r.NoFault <= 1) || len(r.Next) > offered {
				t.Errorf("%d units, at %q: no fault %.3f", units, at, r.NoFault)
			}
			if err := parses(l, r); err != nil {
				t.Error(err)
			}
		}
	}
}

// parses reports whether each proposed reading is one that can be written, once its value is filled in.
func parses(l *backbone.Layout, r *Result) error {
	for _, n := range r.Next {
		text := strings.NewReplacer("…", "12", " / errors stay", "", " / OK", "").Replace(n.Reading)
		if _, err := ParseReading(l, text); err != nil {
			return err
		}
	}
	return nil
}
