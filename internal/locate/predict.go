package locate

import (
	"math"
	"slices"
	"strconv"

	"muster/internal/backbone"
)

// prediction is what a cause says that a reading will be.
type prediction struct {
	value float64 // volt, ohm; 1 for gone and faulty, 0 for not
	base  float64 // volt of the source of a voltage
	item  *Reading
	fit   float64 // logarithm of its likelihood, where that does not depend on the supply
}

// key is the same for predictions that no meter tells apart.
func (p prediction) key() []byte {
	step := math.Round(20 * p.value) // 0.05 V
	if p.item.kind == readsOhm {
		step = math.Round(50 * math.Log(bounded(p.value)))
	}
	return strconv.AppendInt([]byte{' '}, int64(step), 10)
}

// bounded is a resistance as it is compared: above 1 kohm only unpowered units remain, below 3 ohm is a short.
func bounded(ohm float64) float64 { return min(1000, max(3, ohm)) }

// supply is one state of the batteries and loads: what the source has more than in the layout, how much of the declared load is drawn,
// and how probable that is (own choice: 12.6 V at rest, 13.8 V charging; load equivalencies are rounded up).
type supply struct{ more, drawn, probable float64 }

var supplies = func() (all []supply) {
	for i, p := range []float64{.1, .2, .35, .25, .1} {
		for _, drawn := range []float64{.4, .7, 1} {
			all = append(all, supply{.6 * float64(i-2), drawn, p / 3})
		}
	}
	return all
}()

// Spreads of readings (common practice, no source): of a meter and its contact, and how often a reading is simply wrong.
const (
	voltSpread = 0.3
	ohmSpread  = 0.06  // of the logarithm
	ampSpread  = 0.1   // of the value: load equivalencies are rounded
	wrongly    = 0.002 // likelihood of a value that nothing predicts, beside 1 for the predicted one
)

// yes is how probable "errors gone" and "faulty" are when they are predicted (second) and when not (first): a fault is overlooked more easily
// than seen where there is none (common practice, no source).
var yes = [...][2]float64{readsUnplugged: {.03, .96}, readsChecked: {.01, .95}}

// fit is the logarithm of the likelihood of the readings; 0 is the best possible.
func (ev *Evidence) fit(seen []prediction) float64 {
	fit, voltages := 0.0, false
	for _, p := range seen {
		if p.item.kind.ofPower() {
			voltages = true
		} else {
			fit += math.Log(p.likelihood(supply{}))
		}
	}
	if !voltages {
		return fit
	}
	return fit + supplied(seen)
}

// supplied is the logarithm of the likelihood of the voltages and currents, over all states of the supply.
func supplied(seen []prediction) float64 {
	sum := 0.0
	for _, s := range supplies {
		product := s.probable
		for _, p := range seen {
			if p.item.kind.ofPower() {
				product *= p.likelihood(s)
			}
		}
		sum += product
	}
	return math.Log(sum)
}

// likelihood is how well one prediction fits its reading; 1 is the best.
func (p prediction) likelihood(s supply) float64 {
	var off float64
	switch p.item.kind {
	case readsVolts:
		off = (p.item.value - p.volts(s)) / voltSpread
	case readsAmps:
		off = (p.item.value - s.drawn*p.value) / (.1 + ampSpread*p.value)
	case readsOhm:
		off = math.Log(bounded(p.item.value)/bounded(p.value)) / ohmSpread
	default:
		if x := yes[p.item.kind][int(p.value)]; p.item.value == 1 {
			return x
		} else {
			return 1 - x
		}
	}
	return wrongly + (1-wrongly)*math.Exp(-off*off/2)
}

// volts is a predicted voltage with the supply as it may be.
func (p prediction) volts(s supply) float64 {
	switch {
	case p.value > offBelow/4:
		return p.base + s.more - s.drawn*(p.base-p.value)
	case p.value < -1:
		return p.value - s.more
	}
	return p.value
}

// predictions are what a cause says of every voltage and reading of the evidence.
func (e *engine) predictions(causes ...*cause) []prediction {
	out := make([]prediction, len(e.items))
	for i := range e.items {
		out[i] = e.predict(&e.items[i], causes...)
	}
	return out
}

// predict is what one or more causes together say that a reading will be.
func (e *engine) predict(r *Reading, causes ...*cause) prediction {
	p := prediction{item: r}
	switch r.kind {
	case readsVolts:
		p.value, p.base = e.voltage(r, causes)
	case readsAmps:
		p.value = e.voltsUnder(causes).amps[r.part.I]
	case readsOhm:
		p.value = e.ohms(r, causes)
	case readsUnplugged:
		p.value = 1
		for _, c := range causes {
			if c.wide() && !e.behind(r, e.parts[c.part]) {
				p.value = 0
			}
		}
		if !slices.ContainsFunc(causes, (*cause).wide) {
			p.value = 0
		}
	case readsChecked:
		for _, c := range causes {
			if c.part >= 0 && e.parts[c.part] == r.part {
				p.value = 1
			}
		}
	}
	return p
}

// wide reports whether the cause harms units that it is not on the way to.
func (c *cause) wide() bool { return c.way.jams || c.way.blows || c.way.all > unharmed }

// behind reports whether a part is in what the reading unplugs.
func (e *engine) behind(r *Reading, p Part) bool {
	own := p.Kind == kindDrop || p.Kind == kindConnector || p.Kind == kindUnit
	switch at := e.near(p); {
	case r.drop >= 0:
		return own && p.I == r.drop
	case r.side < 0:
		return at < r.point || p.Kind == kindCable && p.I < r.point
	case r.side > 0:
		return at > r.point || p.Kind == kindCable && p.I >= r.point
	}
	return own && e.at[p.I] == r.point
}

// voltage is what the nodal solver finds at the place, and the voltage of the source.
func (e *engine) voltage(r *Reading, causes []*cause) (value, base float64) {
	base = e.source[r.point]
	switch v := e.voltsUnder(causes); {
	case r.side == fromSource:
		return base, base
	case r.drop >= 0:
		return v.outlets[r.drop], base
	default:
		return v.points[r.point], base
	}
}

// voltsUnder are the voltages under one or two causes together. Those of two that both change them are solved once.
func (e *engine) voltsUnder(causes []*cause) *volts {
	v := e.health
	for i, c := range causes {
		switch {
		case c.volts == nil:
		case v == e.health:
			v = c.volts
		default:
			both := [2]*volts{v, c.volts}
			if e.solvedOf != both {
				w := merged(causes[0].wound, causes[i].wound)
				e.solved, e.solvedOf = e.solve(&w), both
			}
			v = e.solved
		}
	}
	return v
}

// fromSource is the side of what a unit reports of the battery itself.
const fromSource = 2

// sourceOf is the voltage of the nearest feed of a point.
func (e *engine) sourceOf(point int) float64 {
	volts, near := 12.0, len(e.points)+1
	for i, p := range e.layout.Power {
		if d := e.point(p.At) - point; e.feeds(i, point) && max(d, -d) < near {
			volts, near = float64(p.Voltage), max(d, -d)
		}
	}
	return volts
}

// merged is two wounds of the power conductors together.
func merged(a, b wound) wound {
	join := func(x, y map[int]float64) map[int]float64 {
		out := map[int]float64{}
		for _, m := range []map[int]float64{x, y} {
			for k, v := range m {
				out[k] += v
			}
		}
		return out
	}
	d := backbone.Damage{Segments: join(a.Segments, b.Segments), Drops: join(a.Drops, b.Drops),
		Feeds: join(a.Feeds, b.Feeds)}
	both := wound{Damage: d,
		reverses: a.reverses || b.reverses, unites: a.unites || b.unites, moves: a.moves || b.moves, point: a.point}
	if b.moves { // of two exchanges, one is computed
		both.point = b.point
	}
	return both
}

// idle is the resistance of an unpowered unit between NET-H and NET-L (from memory; 10 to 50 kohm).
const idle = 30e3

// ohms is the resistance of the data pair at a place with the power off: terminators, units, shunts and cables as a ladder.
func (e *engine) ohms(r *Reading, causes []*cause) float64 {
	shunt := make([]float64, len(e.points)) // siemens
	series := slices.Clone(e.data)
	for p, k := range e.terminated {
		shunt[p] = float64(k) / backbone.Terminator
	}
	for d, p := range e.at {
		isCut := slices.ContainsFunc(causes, func(c *cause) bool { return c.wound.drop == d })
		if isCut && r.drop == d {
			return open
		}
		if !isCut {
			shunt[p] += 1 / idle
		}
	}
	for _, c := range causes {
		w := &c.wound
		for i, ohm := range w.data {
			series[i] += ohm
		}
		shunt[w.point] += float64(w.ends) / backbone.Terminator
		if w.shunt > 0 {
			shunt[w.point] += 1 / w.shunt
		}
	}
	left, right := 0.0, 0.0
	for p := range r.point {
		left = 1 / (series[p] + 1/(shunt[p]+left))
	}
	for p := len(e.points) - 1; p > r.point; p-- {
		right = 1 / (series[p-1] + 1/(shunt[p]+right))
	}
	switch {
	case r.side < 0:
		return 1 / left
	case r.side > 0:
		return 1 / right
	}
	return 1 / (max(0, shunt[r.point]) + left + right)
}
