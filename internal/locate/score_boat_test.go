package locate_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/locate"
	"muster/internal/report"
	"muster/internal/sim"
	"muster/internal/sim/fault"
)

// window is how long a boat is received before one asks where the fault is.
const window = 4 * time.Minute

// A patient is a random boat with faults, and what is known of it.
type patient struct {
	layout *backbone.Layout
	post   string // where the interface is
	told   bool   // and that it is known
	faults []fault.Fault
	broken *fault.Broken
	report *report.Report
	sc     *sim.Scenario // without the faults
	parts  []locate.Part
	seed   uint64
	rng    *rand.Rand
	rare   map[string]bool // units that send their heartbeat alone
}

// newPatient makes a boat of 5 to 60 units and 1 to 3 feeds, and lets so many faults happen to it. Faults that harm nothing are not counted
// as such: nobody would call.
func newPatient(seed uint64, faults int) *patient {
	p := &patient{seed: seed, rng: rand.New(rand.NewPCG(seed, 77))}
	for {
		p.layout = randomLayout(p.rng)
		drops := p.layout.Drops()
		p.post, p.told = drops[p.rng.IntN(len(drops))].At, p.rng.IntN(2) == 0
		p.faults = nil
		from := []time.Duration{0, time.Minute + time.Duration(p.rng.IntN(60))*time.Second}[min(1, p.rng.IntN(5)/2)]
		for range faults {
			f := randomFault(p.rng, p.layout)
			f.From = from
			if faults > 1 && p.rng.IntN(2) == 0 {
				f.From = 70*time.Second + time.Duration(p.rng.IntN(60))*time.Second
			}
			p.faults = append(p.faults, f)
		}
		if faults > 1 && p.faults[0].Part == p.faults[1].Part {
			continue
		}
		sc := scenarioOf(p.layout, p.rng)
		bare := *sc
		bare.Devices = slices.Clone(sc.Devices)
		p.sc = &bare
		b, err := fault.Break(sc, p.layout, p.post, seed, p.faults...)
		if err != nil {
			panic(err)
		}
		p.rare = map[string]bool{}
		for _, d := range sc.Devices {
			p.rare[d.ID] = len(d.Sends) == 0
		}
		if p.broken = b; slices.ContainsFunc(b.Harmed, func(h []int) bool { return len(h) == 0 }) {
			continue
		}
		p.report, p.parts = play(sc, seed), locate.Parts(p.layout)
		return p
	}
}

// hear is what the network shows.
func (p *patient) hear(t *testing.T) *locate.Evidence {
	ev, err := locate.Hear(p.layout, p.report)
	if err != nil {
		t.Fatal(err)
	}
	return ev
}

// mended is the boat without the fault of a part.
func (p *patient) mended(part string) *patient {
	out, sc := *p, *p.sc
	out.faults = slices.DeleteFunc(slices.Clone(p.faults), func(f fault.Fault) bool {
		return plain(f.Part.Name) == plain(part)
	})
	sc.Devices = slices.Clone(p.sc.Devices)
	b, err := fault.Break(&sc, p.layout, p.post, p.seed, out.faults...)
	if err != nil {
		panic(err)
	}
	out.broken, out.report = b, play(&sc, p.seed)
	return &out
}

// plain writes the name of a part with the dash that is on every keyboard.
func plain(name string) string { return strings.ReplaceAll(name, "–", "-") }

// randomLayout is a backbone that works: its units get 10 V or more.
func randomLayout(rng *rand.Rand) *backbone.Layout {
	for {
		units := 5 + rng.IntN(56)
		tees := max(3, units/(1+rng.IntN(3)))
		cable := "micro"
		if units > 12 {
			cable = []string{"mid", "mini"}[rng.IntN(2)]
		}
		l := &backbone.Layout{Network: "n2k"}
		name := func(i int) string { return fmt.Sprintf("T%d", i+1) }
		for i := range tees {
			if i > 0 {
				l.Segments = append(l.Segments, backbone.Segment{From: name(i - 1), To: name(i), Length: backbone.Length(.5 + 5*rng.Float64()), Cable: cable})
			}
			l.Tees = append(l.Tees, backbone.Tee{At: name(i)})
		}
		l.Terminators = []string{name(0), name(tees - 1)}
		for u := range units {
			t := &l.Tees[rng.IntN(tees)]
			if u < tees {
				t = &l.Tees[u]
			}
			d := backbone.Drop{At: t.At, Length: backbone.Length(.5 + 3*rng.Float64()), Device: fmt.Sprintf("U%d", u+1), Load: float64(1 + rng.IntN(5))}
			if rng.IntN(8) == 0 {
				d.Measures = "drop"
			}
			x := device(u)
			d.Name = x.NAME().String()
			t.Drops = append(t.Drops, d)
		}
		feeds := 1 + rng.IntN(min(3, tees/3))
		for f := range feeds {
			at := (2*f + 1) * tees / (2 * feeds)
			p := backbone.Power{At: name(at), Voltage: 12.6, Cable: "mini", Length: backbone.Length(1 + 3*rng.Float64())}
			if rng.IntN(5) > 0 {
				p.Fuse = 5
			}
			l.Power = append(l.Power, p)
			if f > 0 {
				l.Tees[f*tees/feeds].Isolates = true
			}
		}
		if o, ok := l.Solve(nil).Lowest(); ok && *o.Volts > 10.6 && len(l.Drops()) == units {
			return l
		}
	}
}

// device is the simulated device of a unit.
func device(u int) sim.Device {
	unique := uint32(5000 + u)
	return sim.Device{ID: fmt.Sprintf("U%d", u+1), Manufacturer: 2002, Class: 60, Function: 130, Unique: &unique, Address: uint8(u + 1),
		Model: "Larkfin LF5 instrument", Serial: fmt.Sprintf("S%d", u), DatabaseVersion: 2100, LoadEquivalency: 1, ProductCode: 7}
}

// scenarioOf is a boat with the units of a layout. Some send fast packets, whose counters show losses; some send only now and then.
func scenarioOf(l *backbone.Layout, rng *rand.Rand) *sim.Scenario {
	sc := &sim.Scenario{Name: "random", Bus: "n2k", Seed: rng.Uint64(), Duration: window, Boat: sim.Boat{Latitude: 50, Longitude: -5, Moored: true}}
	drops := l.Drops()
	for u := range drops {
		d := device(u)
		k := slices.IndexFunc(drops, func(x backbone.Drop) bool { return x.Device == d.ID })
		switch {
		case drops[k].Measures != "":
			d.Sends = []sim.Send{{PGN: 127508, Every: 1500 * time.Millisecond, Instance: uint8(u)}}
		case rng.IntN(10) == 0: // sends its heartbeat alone
		case rng.IntN(2) == 0:
			d.Sends = []sim.Send{{PGN: 130850, Every: time.Second, Length: 30}}
		default:
			d.Sends = []sim.Send{{PGN: 127250, Every: time.Duration(200+rng.IntN(800)) * time.Millisecond}}
		}
		sc.Devices = append(sc.Devices, d)
	}
	return sc
}

// frequencies of the kinds of part, for each one, and of faults among those that it can have: what a shop sees (common practice, no source).
// They are the score's own, not the engine's priors.
var (
	partWeights  = map[string]float64{"connector": 1, "unit": 1, "drop": .4, "cable": .6, "tee": .5, "terminator": .4, "feed": .8, "fuse": .8, "interface": 1}
	faultWeights = map[string]float64{"open": 4, "intermittent": 4, "resistive": 2, "brown-out": 2, "water": 1, "short": .7, "reversed": .5,
		"corrupting": 1.5, "flooding": 1, "hung": .7, "swapped": 1, "missing": 3, "extra": .4}
)

// randomFault takes a part and a fault by their frequencies. What the layout cannot have, or no one can notice, is left out.
func randomFault(rng *rand.Rand, l *backbone.Layout) fault.Fault {
	var all []fault.Fault
	var weights []float64
	sum := 0.0
	for _, p := range locate.Parts(l) {
		of := 0.0
		for _, kind := range fault.Kinds(p.Kind) {
			of += faultWeights[kind]
		}
		for _, kind := range fault.Kinds(p.Kind) {
			ended := slices.Contains(l.Terminators, strings.TrimPrefix(p.Name, "terminator "))
			if p.Kind == "feed" && kind == "extra" && len(l.Power) == 1 || p.Kind == "terminator" && (kind == "missing") != ended {
				continue
			}
			w := partWeights[p.Kind] * faultWeights[kind] / of
			all, weights, sum = append(all, fault.Fault{Kind: kind, Part: p}), append(weights, w), sum+w
		}
	}
	x := rng.Float64() * sum
	for i, w := range weights {
		if x -= w; x <= 0 {
			return all[i]
		}
	}
	return all[0]
}

// play runs the simulation through the model of a boat.
func play(sc *sim.Scenario, seed uint64) *report.Report {
	model := boat.New(boat.Options{Clock: boat.ClockCapture})
	s := sim.New(sc, seed, event.At(time.Date(2026, 5, 2, 8, 0, 0, 0, time.UTC)))
	events := make([]event.Event, 256)
	for {
		n, err := s.Read(events)
		model.Feed(events[:n]...)
		if err != nil {
			break
		}
	}
	return report.New(model.State(), nil)
}

// do carries out a test that was proposed: a meter of 3 %, and one reading in fifty is simply wrong.
func (p *patient) do(n locate.Next) string {
	where, _, _ := strings.Cut(n.Reading, ":")
	wrong := p.rng.IntN(50) == 0
	points := p.layout.Line()
	place := func(s string) (point, drop, side int) {
		s, end, sided := strings.Cut(s, " towards ")
		if sided {
			side = map[bool]int{true: 1, false: -1}[end == points[len(points)-1]]
		}
		if drop = slices.IndexFunc(p.layout.Drops(), func(d backbone.Drop) bool { return d.Device == s }); drop >= 0 {
			s = p.layout.Drops()[drop].At
		}
		return slices.Index(points, s), drop, side
	}
	switch at, isOhm := strings.CutPrefix(where, "signal wires at "); {
	case isOhm:
		point, _, side := place(at)
		ohm := p.broken.OhmAt(point, side) * math.Exp(.03*p.rng.NormFloat64())
		if wrong {
			ohm = 500 * p.rng.Float64()
		}
		return fmt.Sprintf("%s: %.1f ohm", where, min(ohm, 1e8))
	case strings.HasPrefix(where, "current at feed "):
		feed := p.layout.Feed(strings.TrimPrefix(where, "current at feed "))
		amps := p.broken.AmpsOf(feed) * math.Exp(.03*p.rng.NormFloat64())
		if wrong {
			amps = 6 * p.rng.Float64()
		}
		return fmt.Sprintf("%s: %.2f A", where, amps)
	case strings.HasPrefix(where, "unplugged "):
		return where + ": " + map[bool]string{true: "errors gone", false: "errors stay"}[p.stops(place(strings.TrimPrefix(where, "unplugged "))) != wrong]
	case strings.HasPrefix(where, "checked "):
		name := plain(strings.TrimPrefix(where, "checked "))
		is := slices.ContainsFunc(p.faults, func(f fault.Fault) bool { return plain(f.Part.Name) == name })
		return where + ": " + map[bool]string{true: "faulty", false: "OK"}[is && !wrong]
	default:
		point, drop, _ := place(where)
		v := p.broken.VoltsAt(point)
		if drop >= 0 {
			v = p.broken.VoltsOf(drop)
		}
		if v += .1 * p.rng.NormFloat64(); wrong {
			v = 13 * p.rng.Float64()
		}
		return fmt.Sprintf("%s: %.1f V", where, v)
	}
}

// stops reports whether what is wrong on the bus itself is gone when a unit, or one side, is disconnected: every fault that harms more than
// what is behind it is in there.
func (p *patient) stops(point, drop, side int) bool {
	points := p.layout.Line()
	found := false
	for i, f := range p.faults {
		if !p.onBus(i) {
			continue
		}
		at, own := f.Part.I, -1
		switch f.Part.Kind {
		case "drop", "connector", "unit":
			own = f.Part.I
			at = slices.Index(points, p.layout.Drops()[own].At)
		case "feed", "fuse":
			at = slices.Index(points, p.layout.Power[f.Part.I].At)
		}
		inside := drop >= 0 && own == drop
		switch {
		case drop >= 0:
		case side < 0:
			inside = at < point
		case side > 0:
			inside = at > point || at == point && f.Part.Kind == "cable"
		}
		if !inside {
			return false
		}
		found = true
	}
	return found
}

// onBus reports whether a fault harms units that are not behind its part.
func (p *patient) onBus(i int) bool {
	switch p.faults[i].Kind {
	case "short", "water", "missing", "hung":
		return true
	case "extra", "reversed":
		return p.faults[i].Part.Kind != "feed"
	}
	return false
}
