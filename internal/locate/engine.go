// Package locate says where on a backbone a fault most likely is, how sure that is, and what to measure next.
//
// A layout gives the parts; a table gives the ways in which each fails. What each would cause is computed: who can be heard, voltages by
// the solver of package backbone, resistances of the data pair. What is heard and measured then weighs the causes, exactly for each single
// one, and for pairs above a stated bound. The package is pure: it reads no clock and no file.
package locate

import (
	_ "embed"
	"math"
	"slices"
	"strconv"

	"muster/internal/backbone"
)

// ResultSchema names the version of a Result's shape.
const ResultSchema = "muster.locate/v1"

// Schema is the JSON Schema of a Result.
//
//go:embed locate.schema.json
var Schema []byte

// Options are what is known besides. The zero value is usable.
type Options struct {
	At  string  // point of the backbone where the interface is connected; "" for unknown
	Age float64 // of the installation in years; 0 for unknown
}

// Result is where the fault is.
type Result struct {
	Schema  string `json:"schema"`
	Boat    string `json:"boat,omitempty"`
	Network string `json:"network,omitempty"`
	TakenAt string `json:"taken_at,omitempty"`

	Misfit   []string   `json:"misfit,omitempty"` // where the layout does not fit what is received
	Places   []Place    `json:"places"`           // most probable first
	Together [][]string `json:"together"`         // parts that nothing so far tells apart
	Next     []Next     `json:"next"`             // what to measure, best first
	Readings []Weighed  `json:"readings,omitempty"`

	NoFault float64    `json:"no_fault"` // probability that no part of the layout is at fault
	Other   float64    `json:"other"`    // probability of a cause that is not in the table
	LeftOut float64    `json:"left_out"` // at most this probability lies in pairs of faults that were not looked at
	Bound   float64    `json:"bound"`    // pairs below this share of the probability were not looked at
	Groups  [][]string `json:"groups"`   // units that failed together
	Needs   string     `json:"needs,omitempty"`
}

// Place is one part with one fault.
type Place struct {
	Part        string   `json:"part"`
	Fault       string   `json:"fault"`
	Probability float64  `json:"probability"`
	Reasons     []string `json:"reasons"`
}

// Weighed is a reading beside all the rest.
type Weighed struct {
	Reading     string `json:"reading"`
	Contradicts bool   `json:"contradicts"` // all others: it is probably wrong
}

// engine weighs the causes of one network.
type engine struct {
	*network
	parts    []Part
	age      float64
	healthy  *backbone.Solution
	list     []cause
	ev       *Evidence
	items    []Reading // voltages and readings
	classes  []class
	source   []float64 // volt of the nearest feed, of each point
	solved   *volts    // under the two causes that were asked for last
	solvedOf [2]*volts

	shares  []float64 // of each cause of the probability, once weighed
	alone   []float64 // and as the only fault
	noFault float64
	other   float64
	leftOut float64
}

// A class is causes that this evidence cannot tell apart: all that is known of them is the same.
type class struct {
	causes  []int
	prior   float64         // of all of them
	parts   map[int]float64 // prior by part
	byPart  map[int][]int   // causes by part
	errors  level
	lo, hi  int
	effects []effect
	seen    []prediction // of each reading and reported voltage
	fit     float64      // likelihood, with that of its pairs once weighed
	power   float64      // logarithm of the likelihood of the readings of the supply
	shifts  bool         // a reading of the supply may be another than without a fault
}

// Bounds of the work (own choice).
const (
	hopeless    = 1e-8 // pairs of classes with less than this share of the probability are left out at once
	pairBound   = 1e-5 // and with readings, pairs with less than this
	most        = 0.98 // no place is stated as more certain than this: no table of priors is better
	noShift     = 0.01 // volt or ampere
	otherOdds   = 0.02 // of a cause that is not in the table
	healthyOdds = 0.5  // of no fault at all, in a call for help
)

// Locate weighs every cause by the evidence.
func Locate(l *backbone.Layout, ev *Evidence, opt Options) *Result { return New(l, opt).Locate(ev) }

// Locator has every cause of a layout ready, to be weighed by one evidence after another. It is not safe for concurrent use.
type Locator struct{ engine }

// New computes what every cause does.
func New(l *backbone.Layout, opt Options) *Locator {
	e := engine{network: newNetwork(l, opt.At), age: opt.Age, healthy: l.Solve(nil)}
	e.parts = e.network.parts()
	for p := range e.points {
		e.source = append(e.source, e.sourceOf(p))
	}
	e.list = e.causes()
	return &Locator{e}
}

// Locate weighs every cause by the evidence.
func (l *Locator) Locate(ev *Evidence) *Result {
	e := l.engine
	e.ev, e.items = ev, slices.Concat(ev.Voltages, ev.Readings)
	e.classify()
	e.weigh()
	return e.result()
}

// solve computes voltages and currents under a wound.
func (e *engine) solve(w *wound) *volts {
	l := *e.layout
	l.Tees = slices.Clone(l.Tees)
	for i := range l.Tees {
		l.Tees[i].Isolates = l.Tees[i].Isolates && !w.unites
	}
	at := e.at // along the line, as solved
	if w.moves {
		at = e.move(&l, w.point)
	}
	v := voltsOf(l.SolveDamaged(w.Damage))
	v.outlets = unsorted(v.outlets, at)
	for i, ohm := range w.Feeds {
		if math.IsInf(ohm, 1) {
			v.amps[i] = 0
		}
	}
	if w.reverses {
		reverse(v.points, e.health.points)
		reverse(v.outlets, e.health.outlets)
	}
	return v
}

// move exchanges the drops of a point and of the next one, of the last point those of the one before. It returns the point of each drop then.
func (e *engine) move(l *backbone.Layout, point int) []int {
	other := point + 1
	if other == len(e.points) {
		other = point - 1
	}
	here, there := e.points[point], e.points[other]
	drops := map[string][]backbone.Drop{}
	for _, t := range l.Tees {
		drops[t.At] = append(drops[t.At], t.Drops...)
	}
	given := map[string]bool{}
	l.Tees = append(l.Tees, backbone.Tee{At: here}, backbone.Tee{At: there}) // one of them may be no tee
	for i := range l.Tees {
		t := &l.Tees[i]
		if t.At != here && t.At != there {
			continue
		}
		from := map[string]string{here: there, there: here}[t.At]
		t.Drops = nil
		if !given[t.At] {
			t.Drops = slices.Clone(drops[from])
		}
		given[t.At] = true
		for k := range t.Drops {
			t.Drops[k].At = t.At
		}
	}
	at := slices.Clone(e.at)
	for d, p := range at {
		switch p {
		case point:
			at[d] = other
		case other:
			at[d] = point
		}
	}
	return at
}

// unsorted puts values that were sorted by these keys back into the order of the keys.
func unsorted(values []float64, keys []int) []float64 {
	index := make([]int, len(keys))
	for i := range index {
		index[i] = i
	}
	slices.SortStableFunc(index, func(a, b int) int { return keys[a] - keys[b] })
	out := make([]float64, len(keys))
	for k, i := range index {
		out[i] = values[k]
	}
	return out
}

// reverse turns the voltage round where the damage took it away.
func reverse(v, health []float64) {
	for i := range v {
		if v[i] == 0 {
			v[i] = -health[i]
		}
	}
}

// classify puts causes together that the evidence cannot tell apart.
func (e *engine) classify() {
	index := map[string]int{}
	healthy := e.predictions()
	for i := range e.list {
		c := &e.list[i]
		seen := e.predictions(c)
		key := make([]byte, 0, 3+len(c.effects)+len(seen))
		key = append(key, byte(c.way.errors), byte(c.lo), byte(c.hi))
		for _, x := range c.effects {
			key = append(key, byte(x))
		}
		for _, p := range seen {
			key = append(key, p.key()...)
		}
		if c.marked(seen) {
			key = strconv.AppendInt(key, int64(c.part), 10)
		}
		k, ok := index[string(key)]
		if !ok {
			k = len(e.classes)
			index[string(key)] = k
			x := class{errors: c.way.errors, lo: c.lo, hi: c.hi, effects: c.effects, seen: seen,
				power: supplied(seen), shifts: c.wound.trunk(), parts: map[int]float64{}, byPart: map[int][]int{}}
			for i := range seen {
				if seen[i].item.kind.ofPower() && math.Abs(seen[i].value-healthy[i].value) > noShift {
					x.shifts = true
				}
				if !seen[i].item.kind.ofPower() {
					seen[i].fit = math.Log(seen[i].likelihood(supply{}))
				}
			}
			e.classes = append(e.classes, x)
		}
		x := &e.classes[k]
		x.causes, x.byPart[c.part] = append(x.causes, i), append(x.byPart[c.part], i)
		x.prior += c.prior
		x.parts[c.part] += c.prior
	}
}

// marked reports whether readings show more of the cause than one value each: with another cause it makes values of its own.
func (c *cause) marked(seen []prediction) bool {
	return slices.ContainsFunc(seen, func(p prediction) bool {
		return p.item.kind.ofPower() && c.wound.power() || p.item.kind == readsOhm && c.wound.pair()
	})
}

// weigh gives every cause its share of the probability: its prior times its likelihood, alone and together with each cause of another part.
// Pairs whose reading could not make up for what the wire says against them are left out, and counted.
func (e *engine) weigh() {
	e.shares, e.alone = make([]float64, len(e.list)), make([]float64, len(e.list))
	healthy := cause{way: &way{}, effects: make([]effect, len(e.drops)), wound: wound{drop: -1}}
	e.noFault = healthyOdds * math.Exp(e.logFit(healthy.effects, quiet, e.predictions(&healthy), 1))
	e.other = otherOdds * math.Exp(e.otherFit())
	total := e.noFault + e.other
	for k := range e.classes {
		c := &e.classes[k]
		c.fit = e.share(c.lo, c.hi) * math.Exp(e.logFit(c.effects, c.errors, c.seen, 1))
		total += c.prior * c.fit
		for _, i := range c.causes {
			e.alone[i] = e.list[i].prior * c.fit
		}
	}
	total += e.pairs(total)
	for k := range e.classes {
		for _, i := range e.classes[k].causes {
			e.shares[i] += e.list[i].prior * e.classes[k].fit
			e.shares[i], e.alone[i] = e.shares[i]/total, e.alone[i]/total
		}
	}
	e.noFault, e.other, e.leftOut = e.noFault/total, e.other/total, e.leftOut/(total+e.leftOut)
}

// pairs gives the probability of all pairs, and adds to the fit of each class what it explains together with each class. What is left out is counted by an upper
// bound: without its readings.
func (e *engine) pairs(total float64) (sum float64) {
	bound := e.bound() * total
	single := make([]float64, len(e.classes))
	for i := range e.classes {
		a := &e.classes[i]
		single[i] += a.fit
		for k := i; k < len(e.classes); k++ {
			b := &e.classes[k]
			share := e.share(max(a.lo, b.lo), min(a.hi, b.hi))
			if share == 0 {
				continue
			}
			prior := a.prior * b.prior * share
			fit := e.bothFit(a, b, math.Log(hopeless*total/prior))
			likely := prior*math.Exp(fit) >= hopeless*total
			if likely && len(e.items) > 0 {
				read, ok := e.readFit(a, b, math.Log(bound/prior)-fit)
				fit, likely = fit+read, ok
			}
			if !likely {
				e.leftOut += prior * math.Exp(fit)
				continue
			}
			f := share * math.Exp(fit)
			sum += f * e.couple(a, b, i == k, f)
			if single[i] += f * b.prior; i != k {
				single[k] += f * a.prior
			}
		}
	}
	for i := range e.classes {
		e.classes[i].fit = single[i]
	}
	return sum
}

// bound is the share below which pairs of classes are left out.
func (e *engine) bound() float64 {
	if len(e.items) > 0 {
		return pairBound
	}
	return hopeless
}

// bothFit is logFit of two classes together, without readings: of two effects on a unit the stronger one shows.
func (e *engine) bothFit(a, b *class, bound float64) float64 {
	fit := e.busFit(max(a.errors, b.errors), 2)
	for d, x := range a.effects {
		if fit += logOutcome[max(x, b.effects[d])][e.ev.Units[d].Outcome]; fit < bound {
			break
		}
	}
	return fit
}

// readFit is how well two classes together fit the readings. What one of them alone changes is as under that one; where both change the
// supply it is solved, unless the other readings fit worse than bound: then ok is false, and the fit too good.
func (e *engine) readFit(a, b *class, bound float64) (fit float64, ok bool) {
	x, y := &e.list[a.causes[0]], &e.list[b.causes[0]]
	for i := range e.items {
		r := &e.items[i]
		switch {
		case r.kind.ofPower():
		case r.kind == readsOhm && !y.wound.pair():
			fit += a.seen[i].fit
		case r.kind == readsOhm && !x.wound.pair():
			fit += b.seen[i].fit
		default:
			fit += math.Log(e.predict(r, x, y).likelihood(supply{}))
		}
	}
	switch {
	case !b.shifts:
		return fit + a.power, true
	case !a.shifts:
		return fit + b.power, true
	case fit < bound:
		return fit, false
	}
	return fit + supplied(e.predictions(x, y)), true
}

// couple is the prior of one cause of each of two classes, on different parts. It takes off the causes' shares what would be pairs on one
// part.
func (e *engine) couple(a, b *class, same bool, f float64) float64 {
	prior := a.prior * b.prior
	if len(a.parts) == 1 && len(b.parts) == 1 && e.list[a.causes[0]].part != e.list[b.causes[0]].part {
		return prior // as nearly always
	}
	for part, p := range a.parts {
		q := b.parts[part]
		if q == 0 {
			continue
		}
		prior -= p * q
		for _, i := range a.byPart[part] {
			e.shares[i] -= e.list[i].prior * q * f
		}
		for _, i := range b.byPart[part] {
			if !same {
				e.shares[i] -= e.list[i].prior * p * f
			}
		}
	}
	if same {
		prior /= 2
	}
	return prior
}

// otherFit is the logarithm of how well the evidence fits a cause of which nothing is known.
func (e *engine) otherFit() float64 {
	fit := math.Log(otherError) + float64(len(e.items))*math.Log(otherReading)
	for _, u := range e.ev.Units {
		fit += math.Log(otherOutcome[u.Outcome])
	}
	return fit
}

// logFit is the logarithm of how well effects, errors and predictions of so many causes fit the evidence; 0 is the best possible.
func (e *engine) logFit(effects []effect, errors level, seen []prediction, causes int) float64 {
	fit := e.busFit(errors, causes)
	for d, x := range effects {
		fit += logOutcome[x][e.ev.Units[d].Outcome]
	}
	return fit + e.ev.fit(seen)
}

// busFit is the part of it that is of no unit: error frames, and at how many moments units fell silent.
func (e *engine) busFit(errors level, causes int) float64 {
	fit := logErrors[errors][e.ev.Errors]
	if extra := e.ev.Onsets - max(1, causes); extra > 0 {
		fit += float64(extra) * logApart
	}
	return fit
}
