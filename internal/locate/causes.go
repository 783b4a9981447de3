package locate

import (
	"math"

	"muster/internal/backbone"
)

// effect is what a cause does to one unit as the interface hears it, weakest first: of two causes the stronger effect shows.
type effect uint8

const (
	unharmed  effect = iota
	grazed           // a message is lost now and then
	marred           // messages are lost, which some units show
	noisy            // messages are lost all the time
	contested        // another unit has its address
	flooding         // it fills the bus
	fades            // its data comes and goes
	flickers         // its power comes and goes, and so it restarts
	weak             // its voltage is too low: it restarts
	cut              // it cannot be heard
	effects
)

// level is how many error frames there are.
type level uint8

const (
	quiet level = iota
	some
	many
	levels
)

// conductors of a cable.
type conductors uint8

const (
	data  conductors = 1 << iota // NET-H or NET-L
	power                        // NET-S or NET-C
	both  = data | power
)

// A way is a way in which a kind of part fails.
type way struct {
	kind  string
	fault string
	how   string  // which of several ways of that name
	prior float64 // that it is so on a boat that somebody calls about, for one part indoors

	breaks      conductors // cut at the part
	comesAndGo  bool       // the cut comes and goes
	sag         float64    // volt that are left, in the worst case, behind a poor contact
	blows       bool       // the feed's fuse blows
	jams        bool       // nobody can send
	all, own    effect     // on all units, and on the unit of the part
	errors      level
	shunt       float64 // ohm between NET-H and NET-L at the part; 0 for none
	terminators int     // more or fewer than in the layout
	reverses    bool    // the feed's polarity
	unites      bool    // feeds that the layout isolates
	moves       bool    // the drops are at the next tee, and those of that one here
}

// ways is the table of everything that can fail. The priors are common practice: no source publishes rates. They count connectors first,
// then units that are off, terminators, fuses and cables, as installers tell it. What each does to the wire follows from the circuit; see
// the marks in the comments for what does not: errors and losses of a degraded data pair are common practice too.
var ways = []way{
	{kind: kindCable, fault: "open", how: "all conductors", prior: .004, breaks: both, errors: some},
	{kind: kindCable, fault: "open", how: "the data pair", prior: .002, breaks: data, errors: some},
	{kind: kindCable, fault: "open", how: "a power conductor", prior: .002, breaks: power},
	{kind: kindCable, fault: "resistive", how: "a power conductor", prior: .0015, sag: 8.6},
	{kind: kindCable, fault: "resistive", how: "a power conductor", prior: .0015, sag: 7.4},
	{kind: kindCable, fault: "intermittent", how: "all conductors", prior: .004, breaks: both, comesAndGo: true, errors: some},
	{kind: kindCable, fault: "short", how: "NET-H to NET-L", prior: .0006, jams: true, errors: many, shunt: 1},
	{kind: kindCable, fault: "short", how: "a data conductor to a power conductor", prior: .0006, jams: true, errors: many},
	{kind: kindCable, fault: "short", how: "NET-L to NET-C", prior: .0003, all: noisy, errors: many},
	{kind: kindCable, fault: "short", how: "NET-S to NET-C", prior: .0005, blows: true},
	{kind: kindCable, fault: "water", prior: .001, all: marred, errors: many, shunt: 400},

	{kind: kindTee, fault: "open", how: "all conductors", prior: .003, breaks: both, errors: some},
	{kind: kindTee, fault: "resistive", how: "a power conductor", prior: .001, sag: 8.6},
	{kind: kindTee, fault: "resistive", how: "a power conductor", prior: .001, sag: 7.4},
	{kind: kindTee, fault: "intermittent", how: "all conductors", prior: .003, breaks: both, comesAndGo: true, errors: some},
	{kind: kindTee, fault: "short", how: "NET-H to NET-L", prior: .0003, jams: true, errors: many, shunt: 1},
	{kind: kindTee, fault: "short", how: "NET-S to NET-C", prior: .0003, blows: true},
	{kind: kindTee, fault: "water", prior: .001, all: marred, errors: many, shunt: 400},
	{kind: kindTee, fault: "order", prior: .0005, moves: true},

	{kind: kindDrop, fault: "open", prior: .003, breaks: both, own: cut},
	{kind: kindDrop, fault: "intermittent", prior: .002, own: flickers, errors: some},
	{kind: kindDrop, fault: "resistive", prior: .001, sag: 8, own: weak},
	{kind: kindDrop, fault: "short", how: "NET-H to NET-L", prior: .0004, jams: true, errors: many, shunt: 1},
	{kind: kindDrop, fault: "short", how: "a data conductor to a power conductor", prior: .0004, jams: true, errors: many},
	{kind: kindDrop, fault: "short", how: "NET-S to NET-C", prior: .0003, blows: true},
	{kind: kindDrop, fault: "water", prior: .0005, all: marred, own: noisy, errors: many, shunt: 400},

	{kind: kindConnector, fault: "open", prior: .006, breaks: both, own: cut},
	{kind: kindConnector, fault: "intermittent", prior: .008, own: flickers, errors: some},
	{kind: kindConnector, fault: "resistive", prior: .002, sag: 8, own: weak},
	{kind: kindConnector, fault: "water", prior: .002, all: marred, own: noisy, errors: many, shunt: 400},
	{kind: kindConnector, fault: "reversed", how: "NET-H and NET-L", prior: .0005, all: marred, own: cut, errors: many},

	{kind: kindUnit, fault: "open", how: "off, or dead", prior: .012, own: cut},
	{kind: kindUnit, fault: "intermittent", prior: .002, own: fades},
	{kind: kindUnit, fault: "brown-out", how: "its own power", prior: .003, own: weak},
	{kind: kindUnit, fault: "corrupting", prior: .004, own: noisy, errors: some},
	{kind: kindUnit, fault: "flooding", prior: .002, own: flooding},
	{kind: kindUnit, fault: "hung", how: "it blocks the bus", prior: .001, jams: true, errors: many},
	{kind: kindUnit, fault: "swapped", how: "its address", prior: .002, own: contested},

	{kind: kindTerminator, fault: "missing", prior: .01, all: marred, errors: some, terminators: -1},
	{kind: kindTerminator, fault: "extra", prior: .001, all: marred, errors: some, terminators: 1},

	{kind: kindFeed, fault: "open", prior: .004, breaks: power},
	{kind: kindFeed, fault: "resistive", prior: .002, sag: 8.6},
	{kind: kindFeed, fault: "resistive", prior: .002, sag: 7.4},
	{kind: kindFeed, fault: "brown-out", how: "the battery sags", prior: .004, sag: 8},
	{kind: kindFeed, fault: "reversed", prior: .0005, breaks: power, reverses: true},
	{kind: kindFeed, fault: "extra", how: "feeds are not isolated", prior: .003, all: unharmed, errors: some, unites: true},

	{kind: kindFuse, fault: "open", prior: .008, breaks: power},
	{kind: kindFuse, fault: "resistive", prior: .001, sag: 8},
	{kind: kindFuse, fault: "intermittent", prior: .001, breaks: power, comesAndGo: true},

	{kind: kindInterface, fault: "open", prior: .006, breaks: data},
	{kind: kindInterface, fault: "intermittent", prior: .004, breaks: data, comesAndGo: true},
	{kind: kindInterface, fault: "corrupting", prior: .002, all: noisy, errors: many},
}

// What a part in the weather, and each ten years of age, multiply a prior by (common practice, no source).
const (
	weathered   = 2.0
	perTenYears = 0.5
)

// Volts at which a unit restarts, and at which it stays off: 9 V is the least that it must work with (trade articles); the other is
// common practice.
const (
	restartsBelow = backbone.MinVolts
	offBelow      = 6.5
)

// cause is one way in which one part may have failed, with what that does.
type cause struct {
	part    int // in engine.parts
	way     *way
	prior   float64
	lo, hi  int // the interface is at one of these posts
	effects []effect
	wound   wound
	volts   *volts // nil as without a fault
}

// wound is what a cause does to the wiring.
type wound struct {
	backbone.Damage
	data     map[int]float64 // ohm in series with the data pair, by cable
	point    int             // where shunt and terminators are
	shunt    float64         // ohm, 0 for none
	ends     int             // terminators more or fewer
	drop     int             // whose data pair is cut, -1 for none
	reverses bool
	unites   bool
	moves    bool // the drops at point and at the next one are exchanged
}

func (w *wound) power() bool {
	return len(w.Segments)+len(w.Drops)+len(w.Feeds) > 0 || w.reverses || w.unites || w.moves
}

// trunk reports whether the wound is in what several units have their power through.
func (w *wound) trunk() bool { return len(w.Segments)+len(w.Feeds) > 0 || w.unites }

func (w *wound) pair() bool { return len(w.data) > 0 || w.shunt > 0 || w.ends != 0 || w.drop >= 0 }

// causes lists every cause for every part. Where the side of the interface matters, there is one for each side.
func (e *engine) causes() (all []cause) {
	for i, p := range e.parts {
		factor := 1 + perTenYears*e.age/10
		if outside, _ := e.exposed(p); outside && p.Kind != kindFuse && p.Kind != kindInterface {
			factor *= weathered
		}
		for k := range ways {
			w := &ways[k]
			if w.kind != p.Kind || !e.possible(p, w) {
				continue
			}
			c := cause{part: i, way: w, prior: w.prior * factor, wound: e.wound(p, w)}
			if c.wound.power() {
				c.volts = e.solve(&c.wound)
			}
			under := c.volts // what the effects follow from
			if w.comesAndGo && w.breaks&power != 0 {
				constant := *w
				constant.comesAndGo = false
				x := e.wound(p, &constant)
				under = e.solve(&x)
			}
			for _, side := range e.sides(p, w) {
				c.lo, c.hi = side[0], side[1]
				for _, s := range w.shades() {
					x := c
					x.prior *= s.share
					x.effects = e.effectsOf(&x, p, s, under)
					all = append(all, x)
				}
			}
		}
	}
	return all
}

// A shade is one strength of a way of failing: its effect on all units and on those that it cuts off, and how often it is so strong.
type shade struct {
	all, apart effect
	share      float64
}

// unnoticed is how often an effect on all units is so weak that it does not show (common practice, no source).
var unnoticed = [effects][]shade{
	unharmed: {{unharmed, cut, 1}},
	marred:   {{marred, cut, .25}, {grazed, cut, .25}, {unharmed, cut, .5}},
	noisy:    {{noisy, cut, .8}, {unharmed, cut, .2}},
}

// shades are the strengths of a way of failing. A contact that opens for moments costs messages, and one that opens for longer shows gaps.
func (w *way) shades() []shade {
	if w.comesAndGo && w.breaks&data != 0 {
		return []shade{{w.all, fades, .6}, {w.all, marred, .4}}
	}
	return unnoticed[w.all]
}

// possible leaves out what cannot be with this layout.
func (e *engine) possible(p Part, w *way) bool {
	switch {
	case w.terminators < 0:
		return e.terminated[p.I] > 0
	case w.terminators > 0:
		return e.terminated[p.I] == 0
	case w.unites:
		return len(e.layout.Power) > 1
	}
	return true
}

// cablesOf are those that a way of failing of the part is in: a tee is between its two cables.
func (e *engine) cablesOf(p Part) (cables []int) {
	switch p.Kind {
	case kindCable:
		return []int{p.I}
	case kindTee:
		for _, i := range []int{p.I - 1, p.I} {
			if i >= 0 && i < len(e.data) {
				cables = append(cables, i)
			}
		}
	}
	return cables
}

func (e *engine) wound(p Part, w *way) wound {
	x := wound{point: e.near(p), shunt: w.shunt, ends: w.terminators, drop: -1, data: map[int]float64{},
		reverses: w.reverses, unites: w.unites, moves: w.moves}
	x.Segments, x.Drops, x.Feeds = map[int]float64{}, map[int]float64{}, map[int]float64{}
	constant := !w.comesAndGo
	for _, i := range e.cablesOf(p) {
		if w.breaks&data != 0 && constant {
			x.data[i] = open
		}
		if w.breaks&power != 0 && constant {
			x.Segments[i] = open
		}
		if w.sag > 0 {
			x.Segments[i] = e.poorContact(i, w.sag) / float64(len(e.cablesOf(p)))
		}
	}
	switch p.Kind {
	case kindDrop, kindConnector:
		switch {
		case w.breaks != 0:
			x.drop, x.Drops[p.I] = p.I, open
		case w.sag > 0:
			x.Drops[p.I] = max(0, e.health.outlets[p.I]-w.sag) / max(.05, e.drops[p.I].Load*backbone.AmpsPerLoad)
		}
	case kindFeed, kindFuse:
		switch {
		case w.breaks != 0 && constant:
			x.Feeds[p.I] = open
		case w.sag > 0:
			x.Feeds[p.I] = e.poorFeed(p.I, w.sag)
		}
	}
	if w.blows {
		for i := range e.layout.Power {
			if e.feeds(i, x.point) {
				x.Feeds[i] = open
			}
		}
	}
	return x
}

// poorContact is the resistance in a cable that leaves sag volt to the worst unit behind it.
func (e *engine) poorContact(cable int, sag float64) float64 {
	amps := e.amps[cable]
	from, to := cable+1, len(e.points)
	if amps < 0 {
		from, to = 0, cable+1
	}
	worst := math.Inf(1)
	for d, p := range e.at {
		if p >= from && p < to {
			worst = min(worst, e.health.outlets[d])
		}
	}
	if math.Abs(amps) < .02 || math.IsInf(worst, 1) {
		return 1 // nothing flows: nobody notices
	}
	return max(.1, (worst-sag)/math.Abs(amps))
}

// poorFeed is the resistance at a feed that leaves sag volt to the worst unit.
func (e *engine) poorFeed(feed int, sag float64) float64 {
	f := e.healthy.Feeds[feed]
	worst := f.Voltage
	for _, v := range e.health.outlets {
		if v > 0 {
			worst = min(worst, v)
		}
	}
	return max(.1, (worst-sag)/max(.05, f.Amps))
}

// feeds reports whether a feed powers a point: no tee between them isolates.
func (e *engine) feeds(feed, point int) bool {
	at := e.point(e.layout.Power[feed].At)
	for _, t := range e.layout.Tees {
		if p := e.point(t.At); t.Isolates && (p >= at) != (p >= point) {
			return false
		}
	}
	return true
}

// sides are the ranges of posts that a cause has to be told apart for: beyond a cut the interface hears other units.
func (e *engine) sides(p Part, w *way) [][2]int {
	last := len(e.points) - 1
	if w.breaks&data == 0 || p.Kind != kindCable && p.Kind != kindTee {
		return [][2]int{{0, last}}
	}
	ranges := [][2]int{{0, p.I}, {p.I + 1, last}}
	if p.Kind == kindTee {
		ranges = [][2]int{{0, p.I - 1}, {p.I, p.I}, {p.I + 1, last}}
	}
	kept := ranges[:0]
	for _, r := range ranges {
		if e.share(r[0], r[1]) > 0 {
			kept = append(kept, r)
		}
	}
	return kept
}

// share is which part of the posts lies in a range.
func (n *network) share(lo, hi int) float64 {
	k := 0
	for _, p := range n.posts {
		if p >= lo && p <= hi {
			k++
		}
	}
	return float64(k) / float64(len(n.posts))
}

// effectsOf is what a cause of some strength does to each unit, with the voltages under which units are.
func (e *engine) effectsOf(c *cause, p Part, s shade, v *volts) []effect {
	out := make([]effect, len(e.drops))
	w, harmed := c.way, v != nil
	off := cut
	if w.comesAndGo {
		off = flickers
	}
	if !harmed {
		v = e.health
	}
	for d, at := range e.at {
		x := s.all
		switch {
		case harmed && v.outlets[d] < offBelow && p.Kind != kindInterface:
			x = off
		case w.jams, p.Kind == kindInterface && w.breaks != 0:
			x = s.apart
		case w.breaks&data != 0 && len(e.cablesOf(p)) > 0 && e.apart(p, at, c.lo):
			x = s.apart
		case harmed && v.outlets[d] < restartsBelow && e.health.outlets[d] >= restartsBelow:
			x = weak
		}
		if own := p.Kind == kindDrop || p.Kind == kindConnector || p.Kind == kindUnit; own && p.I == d {
			x = max(x, w.own)
		}
		out[d] = x
	}
	return out
}

// apart reports whether a cut at the part is between two points of the backbone.
func (e *engine) apart(p Part, a, b int) bool {
	if p.Kind == kindTee {
		return a != b && (a == p.I || b == p.I || (a < p.I) != (b < p.I))
	}
	return (a <= p.I) != (b <= p.I)
}
