package locate

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"muster/internal/backbone"
)

// Next is a test that is worth its time.
type Next struct {
	Do      string  `json:"do"`
	At      string  `json:"at"`
	Gain    float64 `json:"gain_bits"` // expected, of which part it is
	Minutes float64 `json:"minutes"`
	Caution string  `json:"caution"`
	Reading string  `json:"reading"` // how its result is written

	test Reading
}

// kinds of test: what is done, how long it takes, and what to mind (common practice, no source). Minutes are with the tools at hand;
// checking takes as long as the kind of part does.
var kinds = [...]struct {
	do      string
	minutes float64
	caution string
}{
	readsVolts: {"Measure the voltage between NET-S and NET-C", 3,
		"Network power on, units on. Do not bridge the pins with the probe; wear eye protection near fuses."},
	readsAmps: {"Measure the current of the feed with a clamp meter around one conductor", 4,
		"Network power on, units on. Open no conductor; wear eye protection near fuses."},
	readsOhm: {"Measure the resistance between NET-H and NET-L", 6,
		"Switch network power off and wait for 0 V first: a powered backbone gives false values and can harm the meter."},
	readsUnplugged: {"Disconnect it and look whether the errors stop", 4,
		"Switch network power off before you disconnect, on to look, and off to connect again. Do it only while the unit is not in use."},
	readsChecked: {"Check it, or replace it for the test", 5,
		"Switch network power off and isolate the feed first. Local codes and licensed practice come first."},
}

// checking is how many minutes it takes to check a part (common practice, no source).
var checking = map[string]float64{kindCable: 12, kindTee: 5, kindDrop: 8, kindConnector: 4, kindUnit: 6, kindTerminator: 3, kindFeed: 6, kindFuse: 2, kindInterface: 3}

// What going there, opening the backbone, a place in the weather and a climb up a mast take besides, in minutes (own choice).
const (
	walking  = 4
	opening  = 3
	outside  = 2
	climbing = 20
)

// Readings are the tests at a point of the layout's backbone, with what is connected there: what can be read at that place.
func Readings(l *backbone.Layout, point string) (list []Next) {
	e := &engine{network: newNetwork(l, "")}
	e.parts = e.network.parts()
	for _, n := range e.tests() {
		at := e.points[n.test.point]
		if n.test.kind == readsChecked {
			at = n.test.part.At
		}
		if at == point {
			list = append(list, n)
		}
	}
	slices.SortStableFunc(list, func(a, b Next) int { return cmp.Compare(a.test.kind, b.test.kind) })
	return list
}

// tests lists every test that can be done: voltages and resistances at points and plugs, the backbone opened at a tee, units unplugged,
// parts checked.
func (e *engine) tests() []Next {
	var all []Next
	add := func(r Reading, at, reading string, near Part, more float64) {
		k := kinds[r.kind]
		n := Next{Do: k.do, At: at, Minutes: k.minutes + more, Caution: k.caution, Reading: reading, test: r}
		if r.kind == readsChecked {
			n.Minutes = checking[near.Kind]
		}
		n.Minutes += walking
		switch outdoors, mast := e.exposed(near); {
		case mast:
			n.Minutes += climbing
			n.Caution += " Climb with a harness and a second person."
		case outdoors:
			n.Minutes += outside
		}
		all = append(all, n)
	}
	first, last := e.points[0], e.points[len(e.points)-1]
	for p, name := range e.points {
		at := Part{Kind: kindTee, Name: name, I: p}
		add(Reading{kind: readsVolts, point: p, drop: -1}, name, name+": … V", at, 0)
		add(Reading{kind: readsOhm, point: p, drop: -1}, name, "signal wires at "+name+": … ohm", at, 0)
		for side, end := range map[int]string{-1: first, 1: last} {
			if end == name {
				continue
			}
			to := name + " towards " + end
			add(Reading{kind: readsOhm, point: p, drop: -1, side: side}, to, "signal wires at "+to+": … ohm", at, opening)
			add(Reading{kind: readsUnplugged, point: p, drop: -1, side: side}, to, "unplugged "+to+": errors gone / errors stay", at, opening)
		}
	}
	for d, name := range e.names {
		at := Part{Kind: kindConnector, Name: name, I: d}
		add(Reading{kind: readsVolts, point: e.at[d], drop: d}, name, name+": … V", at, 1)
		add(Reading{kind: readsUnplugged, point: e.at[d], drop: d}, name, "unplugged "+name+": errors gone / errors stay", at, 0)
	}
	for _, p := range e.parts {
		if p.Kind == kindFeed {
			where := strings.TrimPrefix(p.Name, kindFeed+" ")
			add(Reading{kind: readsAmps, point: e.near(p), drop: -1, part: p}, p.Name, "current at feed "+where+": … A", p, 0)
		}
		add(Reading{kind: readsChecked, part: p, drop: -1}, p.Name, "checked "+p.Name+": faulty / OK", p, 0)
	}
	slices.SortStableFunc(all, func(a, b Next) int { return cmp.Compare(a.Reading, b.Reading) })
	return all
}

// outcomesOf are the probabilities of each outcome of a test for one prediction.
func (e *engine) outcomesOf(r *Reading, p prediction) []float64 {
	switch r.kind {
	case readsVolts:
		return bins(p.value, .5, -1, 1, restartsBelow, p.base-1.2)
	case readsAmps:
		return bins(p.value/max(.1, e.health.amps[r.part.I]), .2, .2, .7, 1.3)
	case readsOhm:
		return bins(math.Log(bounded(p.value)), 2*ohmSpread, math.Log(12), math.Log(35), math.Log(47),
			math.Log(80), math.Log(250))
	}
	x := yes[r.kind][int(p.value)]
	return []float64{x, 1 - x}
}

// bins are the probabilities that a value with a spread is read between the edges.
func bins(value, spread float64, edges ...float64) []float64 {
	out := make([]float64, len(edges)+1)
	below := 0.0
	for i, x := range edges {
		p := .5 * math.Erfc((value-x)/(spread*math.Sqrt2))
		out[i], below = p-below, p
	}
	out[len(edges)] = 1 - below
	for i := range out { // a reading may be wrong altogether
		out[i] = .97*out[i] + .03/float64(len(out))
	}
	return out
}

// Bounds of the look ahead (own choice).
const (
	weakest     = 1e-4 // causes below this share do not count
	foremost    = 10   // tests that are looked at twice
	offered     = 3
	littleDoubt = 0.8  // probability of a part from which it is checked before anything else is measured
	oneExplains = 0.1  // share of single faults with which the search is for one
	leastBit    = 0.02 // a test that is expected to tell less is not offered
)

// candidates are the causes that count, with the part of each; no fault at all is one too. As long as one fault explains what is seen, they
// are weighed as the only one: the search is for it first.
func (e *engine) candidates() (list []*cause, b belief, of []int) {
	shares, sum := e.alone, 0.0
	for _, x := range e.alone {
		sum += x
	}
	if sum < oneExplains {
		shares = e.shares
	}
	var weights []float64
	parts := map[int]int{}
	for i := range e.list {
		if shares[i] < weakest {
			continue
		}
		c := &e.list[i]
		if _, ok := parts[c.part]; !ok {
			parts[c.part] = len(parts)
		}
		list, weights, of = append(list, c), append(weights, shares[i]), append(of, parts[c.part])
	}
	healthy := &cause{part: -1, way: &way{}, wound: wound{drop: -1}}
	return append(list, healthy), believe(append(weights, max(e.noFault+e.other, weakest))), append(of, len(parts))
}

// next are the tests that tell most for each minute, looking two ahead over the ten best.
func (e *engine) next() []Next {
	list, b, of := e.candidates()
	all := e.tests()
	trials := make([]trial, len(all))
	for i := range all {
		t := &all[i]
		if t.test.kind == readsChecked && !slices.ContainsFunc(list, func(c *cause) bool {
			return c.part >= 0 && e.parts[c.part] == t.test.part
		}) {
			continue
		}
		trials[i] = e.trial(&t.test, list)
		t.Gain = trials[i].gain(b, of)
	}
	rank := make([]int, len(all))
	for i := range rank {
		rank[i] = i
	}
	slices.SortStableFunc(rank, func(a, b int) int {
		return cmp.Compare(all[b].Gain/all[b].Minutes, all[a].Gain/all[a].Minutes)
	})
	rank = rank[:min(foremost, len(rank))]
	worth := map[int]float64{}
	for _, i := range rank {
		worth[i] = e.ahead(i, rank, all, trials, b, of)
	}
	slices.SortStableFunc(rank, func(a, b int) int { return cmp.Compare(worth[b], worth[a]) })
	out := []Next{}
	if k := e.certain(all); k >= 0 {
		out = append(out, all[k])
	}
	for _, i := range rank[:min(offered, len(rank))] {
		if all[i].Gain >= leastBit && len(out) < offered && !slices.ContainsFunc(out,
			func(n Next) bool { return n.Reading == all[i].Reading }) {
			out = append(out, all[i])
		}
	}
	return out
}

// certain is the test that checks the part of which there is little doubt left, unless it was checked already; -1 for none.
func (e *engine) certain(all []Next) int {
	shares := make([]float64, len(e.parts))
	for i, x := range e.shares {
		shares[e.list[i].part] += x
	}
	for p, x := range shares {
		done := slices.ContainsFunc(e.items, func(r Reading) bool { return r.kind == readsChecked && r.part == e.parts[p] })
		if x >= littleDoubt && !done {
			return slices.IndexFunc(all, func(n Next) bool { return n.test.kind == readsChecked && n.test.part == e.parts[p] })
		}
	}
	return -1
}

// trial is what each candidate predicts of a test.
func (e *engine) trial(r *Reading, list []*cause) trial {
	var t trial
	for i, c := range list {
		for k, p := range e.outcomesOf(r, e.predict(r, c)) {
			if i == 0 {
				t = append(t, make([]float64, len(list)))
			}
			t[k][i] = p
		}
	}
	return t
}

// ahead is what a test tells for each minute together with the best one after it.
func (e *engine) ahead(i int, rank []int, all []Next, trials []trial, b belief, of []int) float64 {
	gain, minutes := all[i].Gain, all[i].Minutes
	once := gain / minutes
	for k, p := range trials[i].chance(b) {
		if p < .01 {
			continue
		}
		after := b.after(trials[i][k])
		best, at := 0.0, -1
		bits := 0.0
		for _, j := range rank {
			if j == i || trials[j] == nil {
				continue
			}
			if g := trials[j].gain(after, of); g/all[j].Minutes > best {
				best, at, bits = g/all[j].Minutes, j, g
			}
		}
		if at >= 0 {
			gain, minutes = gain+p*bits, minutes+p*all[at].Minutes
		}
	}
	return max(once, gain/minutes)
}

// inspections puts the tests that check one of several parts into the order in which the expected time is least.
func (e *engine) inspections(parts []int, shares []float64) []string {
	minutes := make([]float64, len(parts))
	for i, p := range parts {
		minutes[i] = checking[e.parts[p].Kind]
	}
	var names []string
	for _, i := range inspection(shares, minutes) {
		names = append(names, e.parts[parts[i]].Name)
	}
	return names
}
