package fault

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"muster/internal/backbone"
	"muster/internal/sim"
)

// Broken is a simulated boat with faults: what a meter would read aboard, and which units each fault harms.
type Broken struct {
	*Wiring
	Drawn, More float64 // share of the declared load that is drawn, and volt that the sources have more than in the layout
	Harmed      [][]int // drops that each fault harms, sorted; all of them for what is on the bus itself

	post    int // point of the interface
	rng     *rand.Rand
	sc      *sim.Scenario
	ids     []string // of each drop's device in the scenario, "" for none
	horizon time.Duration
}

// Break lets the faults happen to a scenario of the layout's boat: it adds to its timeline. at is the point where the interface is; the
// first with a drop when it is "". A device of the layout that the scenario does not have is not there.
func Break(sc *sim.Scenario, l *backbone.Layout, at string, seed uint64, faults ...Fault) (*Broken, error) {
	b := &Broken{Wiring: Wire(l), rng: rand.New(rand.NewPCG(seed, 24)), sc: sc, horizon: time.Hour}
	if sc.Duration > 0 {
		b.horizon = sc.Duration
	}
	b.Drawn, b.More = .4+.5*b.rng.Float64(), max(-1, min(1, .5*b.rng.NormFloat64()))
	if b.post = b.point(at); b.post < 0 {
		if at != "" {
			return nil, fmt.Errorf("the layout has no point %q: use one of %s", at, strings.Join(b.points, ", "))
		}
		if b.post = 0; len(b.drops) > 0 {
			b.post = b.point(b.drops[0].At)
		}
	}
	b.ids = devicesOf(sc, b.drops)
	for _, f := range faults {
		if f.Part.Kind == "unit" && b.ids[f.Part.I] == "" {
			return nil, fmt.Errorf("%s: the scenario has no such device", f)
		}
		b.begin(f)
	}
	b.reports()
	return b, nil
}

// devicesOf finds the device of each drop: by NAME, or the next of its model.
func devicesOf(sc *sim.Scenario, drops []backbone.Drop) []string {
	ids, byName, taken := make([]string, len(drops)), map[string]string{}, map[string]bool{}
	for k := range sc.Devices {
		byName[sc.Devices[k].NAME().String()] = sc.Devices[k].ID
	}
	for i, d := range drops {
		if id := byName[strings.ToUpper(d.Name)]; id != "" {
			ids[i], taken[id] = id, true
		}
	}
	for i, d := range drops {
		k := slices.IndexFunc(sc.Devices, func(x sim.Device) bool { return !taken[x.ID] && x.Model == d.Model })
		if ids[i] == "" && d.Name == "" && d.Model != "" && k >= 0 {
			ids[i], taken[sc.Devices[k].ID] = sc.Devices[k].ID, true
		}
	}
	return ids
}

// begin changes the wiring, and plans what the devices do from then on.
func (b *Broken) begin(f Fault) {
	before := b.state()
	own := b.own(f)
	wide := false
	switch f.Kind {
	case "open":
		b.open(f)
	case "intermittent":
		b.comesAndGoes(f)
		return
	case "resistive", "brown-out":
		b.poor(f)
	case "short":
		wide = b.short(f)
	case "water":
		b.shunt[b.nodeOf(f)] += 1 / (150 + 600*b.rng.Float64())
		b.corrupt(f.From, nil, .0005, .02)
		if own != nil {
			b.corrupt(f.From, own, .02, .2)
		}
		b.errors(f.From, .5, 20)
		wide = true
	case "missing", "extra":
		wide = b.terminators(f)
	case "reversed":
		wide = b.reversed(f)
	case "order":
		b.swap(f.Part.I)
	case "corrupting":
		b.corrupt(f.From, own, .05, .4)
		wide = own == nil
	case "flooding":
		b.act(f.From, own[0], sim.Action{Do: "flood", Share: .45 + .4*b.rng.Float64()})
	case "hung":
		b.silence(f.From, b.everyone())
		b.errors(f.From, .2, 40)
		wide = true
	case "swapped":
		if other := (own[0] + 1) % len(b.drops); b.ids[other] != "" {
			k := slices.IndexFunc(b.sc.Devices, func(x sim.Device) bool { return x.ID == b.ids[other] })
			b.act(max(f.From, 3*time.Second), own[0], sim.Action{Do: "fight", Address: b.sc.Devices[k].Address})
		}
	}
	b.follow(f, before, wide, own)
}

// follow lets the devices do what the changed wiring makes them do.
func (b *Broken) follow(f Fault, before state, wide bool, own []int) {
	after := b.state()
	var harmed []int
	for d := range b.drops {
		switch {
		case after.off[d] && !before.off[d]:
			b.act(f.From, d, sim.Action{Do: "off"})
		case !after.received[d] && before.received[d]:
			b.silence(f.From, []int{d})
		case !after.weak[d] || before.weak[d]:
			continue
		}
		harmed = append(harmed, d)
	}
	if !slices.Equal(after.weak, before.weak) {
		b.restarts(f.From, before, after)
	}
	harmed = append(harmed, own...)
	if f.Part.Kind == "interface" || wide {
		harmed = b.everyone()
	}
	slices.Sort(harmed)
	b.Harmed = append(b.Harmed, slices.Compact(harmed))
}

// state is what the wiring means for each device.
type state struct{ off, weak, received []bool }

// Volts at which units restart and stay off: they must work from 9 V on.
const (
	restartsBelow = 9.0
	offBelow      = 6.0
)

func (b *Broken) state() (s state) {
	idle, full := b.Volts(b.Drawn, b.More), b.Volts(1, b.More)
	seen := b.reach(b.at(b.post, centre), dataOf)
	for _, n := range b.devices {
		s.off = append(s.off, idle[n] < offBelow)
		s.weak = append(s.weak, full[n] < restartsBelow && idle[n] >= offBelow)
		s.received = append(s.received, seen[n])
	}
	return s
}

// own are the drops of a part that belongs to one device.
func (b *Broken) own(f Fault) []int {
	switch f.Part.Kind {
	case "drop", "connector", "unit":
		return []int{f.Part.I}
	}
	return nil
}

func (b *Broken) everyone() (all []int) {
	for d := range b.drops {
		all = append(all, d)
	}
	return all
}

// nodeOf is where a part is.
func (b *Broken) nodeOf(f Fault) int {
	switch f.Part.Kind {
	case "drop", "connector", "unit":
		return b.devices[f.Part.I]
	case "cable":
		return b.at(f.Part.I, right)
	case "feed", "fuse":
		return b.at(b.point(b.layout.Power[f.Part.I].At), centre)
	}
	return b.at(f.Part.I, centre)
}

// series are the edges that a part is in.
func (b *Broken) series(f Fault) []int {
	switch f.Part.Kind {
	case "connector":
		return b.find("drop", f.Part.I)
	case "fuse":
		return b.find("feed", f.Part.I)
	}
	return b.edgesOf(f.Part)
}

// open cuts a part: all conductors, or for a cable now and then one pair.
func (b *Broken) open(f Fault) {
	switch f.Part.Kind {
	case "unit": // it is off, or dead
		b.act(f.From, f.Part.I, sim.Action{Do: "off"})
		return
	case "interface":
		b.silence(f.From, b.everyone())
		return
	}
	data, power := true, true
	if kind := b.rng.Float64(); f.Part.Kind == "cable" && kind < .5 {
		data, power = kind < .25, kind >= .25
	}
	for _, k := range b.series(f) {
		if data {
			b.edges[k].data = cut
		}
		if power {
			b.edges[k].power = cut
		}
	}
	if backboneCut := f.Part.Kind == "cable" || f.Part.Kind == "tee"; backboneCut && data && b.rng.Float64() < .6 {
		b.errors(f.From, .05, 2) // each side has one terminator
	}
}

// poor is a contact, or a battery, that leaves the worst device behind it between 6.5 and 8.6 V at full load.
func (b *Broken) poor(f Fault) {
	if f.Part.Kind == "unit" { // its own supply
		b.act(f.From, f.Part.I, sim.Action{Do: "restart-loop", Every: 8*time.Second + time.Duration(b.rng.Int64N(int64(40*time.Second)))})
		return
	}
	target, edges := 6.5+2.1*b.rng.Float64(), b.series(f)
	before := b.Volts(1, b.More)
	set := func(ohm float64) {
		for _, k := range edges {
			b.edges[k].power += ohm
		}
	}
	low, high := 0.0, 100.0
	for range 24 {
		ohm := (low + high) / 2
		set(ohm)
		worst := math.Inf(1)
		for d, v := range b.Volts(1, b.More) {
			if slices.Contains(b.devices, d) && before[d]-v > .3 {
				worst = min(worst, v)
			}
		}
		set(-ohm)
		if worst > target {
			low = ohm
		} else {
			high = ohm
		}
	}
	set(low)
}

// short joins two conductors. All but NET-L to NET-C stop the bus, or blow the fuse.
func (b *Broken) short(f Fault) (wide bool) {
	switch kind := b.rng.IntN(10); {
	case kind < 4: // NET-H to NET-L
		b.shunt[b.nodeOf(f)] += 1 / (.2 + 2*b.rng.Float64())
		fallthrough
	case kind < 7: // a data conductor to a power conductor
		b.silence(f.From, b.everyone())
		if b.rng.Float64() < .7 {
			b.errors(f.From, .5, 40)
		}
	case kind < 8 && f.Part.Kind == "cable": // NET-L to NET-C
		b.corrupt(f.From, nil, .03, .3)
		b.errors(f.From, 2, 30)
	default: // NET-S to NET-C
		seen := b.reach(b.nodeOf(f), powerOf)
		for i, n := range b.supply {
			if seen[n] {
				for _, k := range b.find("feed", i) {
					b.edges[k].power = cut
				}
			}
		}
		return false
	}
	return true
}

// terminators has one less or one more; a feed that is one too many is not isolated from the others.
func (b *Broken) terminators(f Fault) (wide bool) {
	switch {
	case f.Part.Kind == "feed":
		for k := range b.edges {
			if b.edges[k].part.Kind == "tee" && math.IsInf(b.edges[k].power, 1) {
				b.edges[k].power = 0
			}
		}
		b.errors(f.From, .02, .5)
		return true
	case f.Kind == "missing":
		b.shunt[b.nodeOf(f)] -= 1 / terminator
	default:
		b.shunt[b.nodeOf(f)] += 1 / terminator
	}
	if b.rng.Float64() < .7 {
		b.errors(f.From, .03, 2)
		b.corrupt(f.From, nil, .0002, .01)
	}
	return true
}

// reversed is a feed with its polarity reversed, or a connector with its data pair swapped.
func (b *Broken) reversed(f Fault) (wide bool) {
	if f.Part.Kind == "connector" {
		b.silence(f.From, b.own(f))
		b.errors(f.From, .5, 20)
		b.corrupt(f.From, nil, .0002, .01)
		return true
	}
	for _, k := range b.series(f) {
		b.edges[k].power = cut
	}
	b.reverse[f.Part.I] = true
	return false
}

// swap puts the drops of a tee at the next one, and those of that one at the tee: the layout has them the other way round.
func (b *Broken) swap(point int) {
	other := point + 1
	if other == len(b.points) {
		other = point - 1
	}
	for d, x := range b.drops {
		for _, k := range b.find("drop", d) {
			switch b.point(x.At) {
			case point:
				b.edges[k].a = b.at(other, centre)
			case other:
				b.edges[k].a = b.at(point, centre)
			}
		}
	}
	b.list()
}

// comesAndGoes is a contact that opens now and then: what an open part would harm is away for that time.
func (b *Broken) comesAndGoes(f Fault) {
	before, edges := b.state(), slices.Clone(b.edges)
	constant := f
	constant.Kind = "open"
	own := b.own(f)
	if f.Part.Kind != "unit" && f.Part.Kind != "interface" {
		for _, k := range b.series(constant) {
			b.edges[k].power = cut
			if f.Part.Kind != "fuse" {
				b.edges[k].data = cut
			}
		}
	}
	after := b.state()
	b.edges = edges
	var harmed []int
	verb := map[int]string{}
	for d := range b.drops {
		switch {
		case after.off[d] && !before.off[d]:
			verb[d] = "power-cycle"
		case !after.received[d] && before.received[d], f.Part.Kind == "interface", f.Part.Kind == "unit" && d == f.Part.I:
			verb[d] = "silence"
		default:
			continue
		}
		harmed = append(harmed, d)
	}
	for at := f.From; at < b.horizon; {
		at += 3*time.Second + time.Duration(b.rng.ExpFloat64()*22*float64(time.Second))
		away := 300*time.Millisecond + time.Duration(b.rng.Int64N(int64(2500*time.Millisecond)))
		if b.rng.Float64() < .3 {
			away = 12*time.Second + time.Duration(b.rng.Int64N(int64(12*time.Second)))
		}
		for _, d := range harmed {
			b.act(at, d, sim.Action{Do: verb[d], For: away})
		}
		at += away
	}
	if f.Part.Kind != "unit" && f.Part.Kind != "fuse" && b.rng.Float64() < .6 {
		b.errors(f.From, .05, 1)
	}
	slices.Sort(harmed)
	b.Harmed = append(b.Harmed, slices.Compact(append(harmed, own...)))
}

// restarts cuts the power of weak devices for a moment, of all at the same moments: when large loads go on.
func (b *Broken) restarts(from time.Duration, before, after state) {
	for at := from; at < b.horizon; {
		at += 4*time.Second + time.Duration(b.rng.ExpFloat64()*22*float64(time.Second))
		for d := range b.drops {
			if after.weak[d] && !before.weak[d] {
				b.act(at, d, sim.Action{Do: "power-cycle", For: time.Second + time.Duration(b.rng.Int64N(int64(time.Second)))})
			}
		}
		at += 3 * time.Second
	}
}

// reports lets the devices that measure their own voltage report what the wiring gives them.
func (b *Broken) reports() {
	v := b.Volts(b.Drawn, b.More)
	for d, x := range b.drops {
		switch {
		case x.OwnConnection():
			b.act(0, d, sim.Action{Do: "wrong-data", Quantity: "voltage", Add: v[b.devices[d]] - simulated})
		case b.layout.Feed(x.Measures) >= 0 && x.Measures != "":
			b.act(0, d, sim.Action{Do: "wrong-data", Quantity: "voltage", Add: v[b.supply[b.layout.Feed(x.Measures)]] - simulated})
		}
	}
}

// simulated is the mean voltage of a simulated boat's battery.
const simulated = 13.72

// act plans an action of a drop's device. What is off from the start is not switched on.
func (b *Broken) act(at time.Duration, drop int, a sim.Action) {
	k := slices.IndexFunc(b.sc.Devices, func(x sim.Device) bool { return x.ID == b.ids[drop] })
	if k < 0 {
		return
	}
	if a.Do == "off" && at == 0 {
		b.sc.Devices[k].Absent = true
		return
	}
	a.At, a.Device = at, b.ids[drop]
	b.sc.Timeline = append(b.sc.Timeline, a)
}

func (b *Broken) silence(from time.Duration, drops []int) {
	for _, d := range drops {
		b.act(from, d, sim.Action{Do: "silence", For: b.horizon})
	}
}

// corrupt spoils a share of the frames of some devices, of all for nil.
func (b *Broken) corrupt(from time.Duration, drops []int, low, high float64) {
	if drops == nil {
		drops = b.everyone()
	}
	share := low * math.Pow(high/low, b.rng.Float64())
	for _, d := range drops {
		b.act(from, d, sim.Action{Do: "corrupt", Share: share})
	}
}

// errors are so many error frames a second at the interface.
func (b *Broken) errors(from time.Duration, low, high float64) {
	b.sc.Timeline = append(b.sc.Timeline, sim.Action{At: from, Do: "error-frames", Rate: low * math.Pow(high/low, b.rng.Float64()), For: b.horizon})
}

// VoltsAt is what a meter reads at a point, and VoltsOf at the connector of a drop's device.
func (b *Broken) VoltsAt(point int) float64 { return b.meter(b.at(point, centre)) }

// VoltsOf is what a meter reads at the connector of a drop's device.
func (b *Broken) VoltsOf(drop int) float64 { return b.meter(b.devices[drop]) }

// AmpsOf is what a clamp meter reads at a feed.
func (b *Broken) AmpsOf(feed int) float64 { return b.Amps(feed, b.Drawn, b.More) }

func (b *Broken) meter(n int) float64 {
	if v := b.Volts(b.Drawn, b.More)[n]; v != 0 {
		return v
	}
	for i, reversed := range b.reverse {
		if reversed {
			for _, k := range b.find("feed", i) {
				if b.reach(b.edges[k].a, powerOf)[n] {
					return -b.volts[b.supply[i]] - b.More
				}
			}
		}
	}
	return 0
}
