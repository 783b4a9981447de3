package fault

import (
	"math"
	"slices"

	"muster/internal/backbone"
	"muster/internal/locate"
)

// Wiring is a backbone as a graph: each point has a node towards either end and one between them, where its drops, feeds and terminator are.
// The power conductors, there and back, and the data pair have a resistance of their own on each edge; +Inf is a cut.
type Wiring struct {
	layout  *backbone.Layout
	points  []string
	drops   []backbone.Drop
	edges   []edge
	near    [][]int         // edges of each node
	volts   map[int]float64 // of the sources, by node
	draw    []float64       // ampere of each node at full load
	shunt   []float64       // siemens between NET-H and NET-L of each node
	devices []int           // node of each drop's device
	supply  []int           // node of each feed's source
	reverse []bool          // of each feed
}

// edge joins two nodes.
type edge struct {
	a, b        int
	power, data float64 // ohm
	part        locate.Part
}

var cut = math.Inf(1)

// Ohm per metre of one conductor, power and data (DeviceNet thin and thick cable data; 16 and 20 AWG).
var perMetre = map[string][2]float64{"micro": {.053, .0919}, "mid": {.0132, .0333}, "mini": {.0089, .0226}}

const (
	terminator = 120.0 // ohm
	perLoad    = .05   // ampere of one load equivalency
	unpowered  = 30e3  // ohm between NET-H and NET-L of a unit without power (from memory)
	joint      = 1e-3  // ohm of a source that sits at its point
)

// The three nodes of a point.
const (
	left = iota
	centre
	right
	nodes
)

// Wire makes the graph of a layout.
func Wire(l *backbone.Layout) *Wiring {
	w := &Wiring{layout: l, points: l.Line(), drops: l.Drops(), volts: map[int]float64{}}
	for p, name := range w.points {
		for range nodes {
			w.node()
		}
		tee := locate.Part{Kind: "tee", I: p}
		through := edge{w.at(p, centre), w.at(p, right), 0, 0, tee}
		if slices.ContainsFunc(l.Tees, func(t backbone.Tee) bool { return t.At == name && t.Isolates }) {
			through.power = cut
		}
		w.edges = append(w.edges, edge{w.at(p, left), w.at(p, centre), 0, 0, tee}, through)
	}
	for i, g := range l.Segments {
		ohm := perMetre[g.Cable]
		w.edges = append(w.edges, edge{w.at(i, right), w.at(i+1, left), 2 * ohm[0] * float64(g.Length), 2 * ohm[1] * float64(g.Length), locate.Part{Kind: "cable", I: i}})
	}
	for d, x := range w.drops {
		n := w.node()
		ohm := perMetre[orMicro(x.Cable)]
		w.draw[n], w.shunt[n] = x.Load*perLoad, 1/unpowered
		w.devices = append(w.devices, n)
		w.edges = append(w.edges, edge{w.at(w.point(x.At), centre), n, 2 * ohm[0] * float64(x.Length), 2 * ohm[1] * float64(x.Length), locate.Part{Kind: "drop", I: d}})
	}
	for f, x := range l.Power {
		n := w.node()
		w.volts[n] = float64(x.Voltage)
		w.supply, w.reverse = append(w.supply, n), append(w.reverse, false)
		w.edges = append(w.edges, edge{w.at(w.point(x.At), centre), n, 2*perMetre[orMicro(x.Cable)][0]*float64(x.Length) + joint, cut, locate.Part{Kind: "feed", I: f}})
	}
	for _, name := range l.Terminators {
		w.shunt[w.at(w.point(name), centre)] += 1 / terminator
	}
	w.list()
	return w
}

// list finds the edges of each node.
func (w *Wiring) list() {
	w.near = make([][]int, len(w.draw))
	for k, e := range w.edges {
		w.near[e.a], w.near[e.b] = append(w.near[e.a], k), append(w.near[e.b], k)
	}
}

func orMicro(cable string) string {
	if cable == "" {
		return "micro"
	}
	return cable
}

func (w *Wiring) node() int {
	w.draw, w.shunt = append(w.draw, 0), append(w.shunt, 0)
	return len(w.draw) - 1
}

func (w *Wiring) at(point, side int) int      { return point*nodes + side }
func (w *Wiring) point(name string) int       { return slices.Index(w.points, name) }
func (w *Wiring) edgesOf(p locate.Part) []int { return w.find(p.Kind, p.I) }

func (w *Wiring) find(kind string, i int) (list []int) {
	for k, e := range w.edges {
		if e.part.Kind == kind && e.part.I == i {
			list = append(list, k)
		}
	}
	return list
}

// reach marks the nodes that a search finds from one node over edges that are not cut.
func (w *Wiring) reach(from int, ohm func(*edge) float64) []bool {
	seen := make([]bool, len(w.draw))
	seen[from] = true
	for queue := []int{from}; len(queue) > 0; queue = queue[1:] {
		for _, k := range w.near[queue[0]] {
			e := &w.edges[k]
			if other := e.a + e.b - queue[0]; !seen[other] && !math.IsInf(ohm(e), 1) {
				seen[other] = true
				queue = append(queue, other)
			}
		}
	}
	return seen
}

func powerOf(e *edge) float64 { return e.power }
func dataOf(e *edge) float64  { return e.data }

// norton is what a part of the tree is to the rest: a conductance and a current.
type norton struct{ g, i float64 }

// behind is the same seen through a resistance.
func (n norton) behind(ohm float64) norton {
	return norton{n.g / (1 + ohm*n.g), n.i / (1 + ohm*n.g)}
}

// Volts are the voltages of all nodes with a share of the load drawn and the sources raised by more; 0 where no power reaches. The graph is
// a tree, so each branch is reduced to a conductance and a current, and the voltages follow from the root.
func (w *Wiring) Volts(drawn, more float64) []float64 {
	out := make([]float64, len(w.draw))
	done := make([]bool, len(w.draw))
	eq := make([]norton, len(w.draw))
	for root := range w.draw {
		if _, source := w.volts[root]; done[root] || source {
			continue
		}
		n := w.reduce(root, -1, drawn, more, eq)
		if n.g == 0 { // nothing draws without a source
			done[root] = true
			continue
		}
		w.descend(root, -1, n.i/n.g, more, eq, out, done)
	}
	return out
}

// reduce is the branch at a node, without the edge that leads to it.
func (w *Wiring) reduce(n, by int, drawn, more float64, eq []norton) norton {
	sum := norton{0, -drawn * w.draw[n]}
	for _, k := range w.near[n] {
		e := &w.edges[k]
		if k == by || math.IsInf(e.power, 1) {
			continue
		}
		other := e.a + e.b - n
		if v, source := w.volts[other]; source {
			sum.g, sum.i = sum.g+1/e.power, sum.i+(v+more)/e.power
			continue
		}
		x := w.reduce(other, k, drawn, more, eq).behind(e.power)
		sum.g, sum.i = sum.g+x.g, sum.i+x.i
	}
	eq[n] = sum
	return sum
}

// descend gives the nodes of a branch their voltages.
func (w *Wiring) descend(n, by int, v, more float64, eq []norton, out []float64, done []bool) {
	out[n], done[n] = v, true
	for _, k := range w.near[n] {
		e := &w.edges[k]
		if k == by || math.IsInf(e.power, 1) {
			continue
		}
		other := e.a + e.b - n
		if s, source := w.volts[other]; source {
			out[other] = s + more
			continue
		}
		x := eq[other]
		w.descend(other, k, (v+e.power*x.i)/(1+e.power*x.g), more, eq, out, done)
	}
}

// Amps is the current that a feed gives.
func (w *Wiring) Amps(feed int, drawn, more float64) float64 {
	v, source := w.Volts(drawn, more), w.supply[feed]
	for _, k := range w.near[source] {
		if e := &w.edges[k]; !math.IsInf(e.power, 1) {
			return (v[source] - v[e.a+e.b-source]) / e.power
		}
	}
	return 0
}

// conductance of the data pair at a node, without the edge that leads to it.
func (w *Wiring) conductance(n, by int) float64 {
	g := w.shunt[n]
	for _, k := range w.near[n] {
		e := &w.edges[k]
		if k == by || math.IsInf(e.data, 1) {
			continue
		}
		x := w.conductance(e.a+e.b-n, k)
		g += x / (1 + e.data*x)
	}
	return g
}

// OhmAt is the resistance between NET-H and NET-L at a point; side -1 or 1 is that of the cable to one side alone.
func (w *Wiring) OhmAt(point, side int) float64 {
	n, by := w.at(point, centre), -1
	if side != 0 {
		tee := w.find("tee", point)
		n, by = w.at(point, 1+side), tee[max(0, side)]
	}
	return 1 / w.conductance(n, by)
}

// OhmOf is the resistance between NET-H and NET-L at the connector of a drop's device.
func (w *Wiring) OhmOf(drop int) float64 { return 1 / w.conductance(w.devices[drop], -1) }
