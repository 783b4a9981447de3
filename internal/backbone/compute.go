package backbone

import (
	"math"
	"slices"
)

// Point is one point of the backbone as computed.
type Point struct {
	Name   string   `json:"name"`
	Metres float64  `json:"metres"`          // from the first end
	Volts  *float64 `json:"volts,omitempty"` // absent where no supply reaches
	Load   float64  `json:"load"`            // load equivalency of its drops
	Power  bool     `json:"power,omitempty"`

	Terminator bool `json:"terminator,omitempty"`
}

// Leg is one segment as computed.
type Leg struct {
	From   string  `json:"from"`
	To     string  `json:"to"`
	Cable  string  `json:"cable"`
	Metres float64 `json:"metres"`
	Amps   float64 `json:"amps"` // positive from From to To
	Volts  float64 `json:"volts"`
}

// Outlet is one device at the end of its drop.
type Outlet struct {
	Device string   `json:"device"`
	At     string   `json:"at"`
	Metres float64  `json:"metres"` // of the drop
	Load   float64  `json:"load"`
	Volts  *float64 `json:"volts,omitempty"`
}

// Feed is one power point as computed.
type Feed struct {
	At       string  `json:"at"`
	Voltage  float64 `json:"voltage"`
	Amps     float64 `json:"amps"`
	Fuse     float64 `json:"fuse,omitempty"`
	LoadLeft float64 `json:"load_left"`  // load equivalency that it feeds towards the first end
	LoadHere float64 `json:"load_here"`  // at the point itself
	LoadRest float64 `json:"load_right"` // towards the other end
}

// Solution is the electrical state of a layout.
type Solution struct {
	Points  []Point  `json:"points"`
	Legs    []Leg    `json:"legs"`
	Outlets []Outlet `json:"outlets"`
	Feeds   []Feed   `json:"feeds"`
}

// circuit is the resistive network: nodes joined by resistors, some held at a voltage, some drawing a constant current.
type circuit struct {
	names []string
	edges []edge
	held  map[int]float64
	drawn []float64 // ampere out of the node
	volts []float64 // solution; NaN where no supply reaches
}

type edge struct {
	a, b int
	ohm  float64
}

func (c *circuit) node(name string) int {
	c.names, c.drawn = append(c.names, name), append(c.drawn, 0)
	return len(c.names) - 1
}

// solve finds the voltage of every node: Kirchhoff's current law at each node that is not held, by Gaussian
// elimination. Currents are constant, as load equivalency defines them. The ends of drops come first, then the
// backbone in its order: so only zeros are beside the neighbours, and the work grows with the square of the nodes at
// most.
func (c *circuit) solve() {
	n := len(c.names)
	c.volts = make([]float64, n)
	reached := c.reached()
	degree := make([]int, n)
	for _, e := range c.edges {
		degree[e.a]++
		degree[e.b]++
	}
	row := make([]int, n) // node → row of the system
	var free []int
	for _, leaves := range [2]bool{true, false} {
		for i := range n {
			if (degree[i] == 1) != leaves {
				continue
			}
			v, held := c.held[i]
			switch {
			case held:
				c.volts[i] = v
			case !reached[i]:
				c.volts[i] = math.NaN()
			default:
				row[i] = len(free)
				free = append(free, i)
			}
		}
	}
	m := make([][]float64, len(free))
	for k, i := range free {
		m[k] = make([]float64, len(free)+1)
		m[k][len(free)] = -c.drawn[i]
	}
	for _, e := range c.edges {
		if !reached[e.a] {
			continue
		}
		g := 1 / e.ohm
		for _, x := range [2][2]int{{e.a, e.b}, {e.b, e.a}} {
			if _, held := c.held[x[0]]; held {
				continue
			}
			r := m[row[x[0]]]
			r[row[x[0]]] += g
			if v, held := c.held[x[1]]; held {
				r[len(free)] += g * v
			} else {
				r[row[x[1]]] -= g
			}
		}
	}
	for k, v := range eliminate(m) {
		c.volts[free[k]] = v
	}
}

// reached marks the nodes that a resistor path joins to a held node.
func (c *circuit) reached() []bool {
	out := make([]bool, len(c.names))
	for i := range c.held {
		out[i] = true
	}
	for changed := true; changed; {
		changed = false
		for _, e := range c.edges {
			if out[e.a] != out[e.b] {
				out[e.a], out[e.b], changed = true, true, true
			}
		}
	}
	return out
}

// eliminate solves the augmented matrix m in place, with partial pivoting.
func eliminate(m [][]float64) []float64 {
	n := len(m)
	for k := range n {
		p := k
		for i := k + 1; i < n; i++ {
			if math.Abs(m[i][k]) > math.Abs(m[p][k]) {
				p = i
			}
		}
		m[k], m[p] = m[p], m[k]
		for i := k + 1; i < n; i++ {
			f := m[i][k] / m[k][k]
			if f == 0 {
				continue
			}
			for j := k; j <= n; j++ {
				m[i][j] -= f * m[k][j]
			}
		}
	}
	x := make([]float64, n)
	for k := n - 1; k >= 0; k-- {
		sum := m[k][n]
		for j := k + 1; j < n; j++ {
			sum -= m[k][j] * x[j]
		}
		x[k] = sum / m[k][k]
	}
	return x
}

// wiring is the circuit of a layout with the way back from its parts to the nodes.
type wiring struct {
	circuit
	left    map[string]int // point → node towards the first end; drops and power are here
	right   map[string]int // point → node towards the other end; the same unless the tee isolates
	outlets []int
	legs    []edge
	feeds   []edge // supply → point; ohm 0 when the supply sits at the point
}

// wire builds the circuit. A tee that isolates cuts the positive wire behind it, so everything at the tee hangs on the first end's side.
func (l *Layout) wire(extra []Drop, damage Damage) *wiring {
	w := &wiring{circuit: circuit{held: map[int]float64{}}, left: map[string]int{}, right: map[string]int{}}
	isolates := map[string]bool{}
	for _, t := range l.Tees {
		isolates[t.At] = t.Isolates
	}
	for _, p := range l.line() {
		w.left[p] = w.node(p)
		w.right[p] = w.left[p]
		if isolates[p] {
			w.right[p] = w.node(p)
		}
	}
	for i, s := range l.Segments {
		w.legs = append(w.legs, w.join(edge{w.right[s.From], w.left[s.To], loop(s.Cable, s.Length)}, damage.Segments[i]))
	}
	for i, d := range l.drops(extra) {
		n := w.left[d.At]
		if d.Length > 0 || damage.Drops[i] > 0 {
			n = w.node(d.Device)
			w.join(edge{w.left[d.At], n, loop(d.Cable, d.Length)}, damage.Drops[i])
		}
		w.drawn[n] += d.Load * AmpsPerLoad
		w.outlets = append(w.outlets, n)
	}
	for i, p := range l.Power {
		at := w.left[p.At]
		if p.Length == 0 && damage.Feeds[i] == 0 {
			w.held[at] = float64(p.Voltage)
			w.feeds = append(w.feeds, edge{at, at, 0})
			continue
		}
		n := w.node("power " + p.At)
		w.held[n] = float64(p.Voltage)
		w.feeds = append(w.feeds, w.join(edge{n, at, loop(p.Cable, p.Length)}, damage.Feeds[i]))
	}
	return w
}

// line lists the points in order from the first end to the other.
func (l *Layout) line() []string {
	out := []string{l.Segments[0].From}
	for _, s := range l.Segments {
		out = append(out, s.To)
	}
	return out
}

// drops lists every drop with its tee, in the order of the backbone, and extra ones behind.
func (l *Layout) drops(extra []Drop) []Drop {
	var out []Drop
	for _, p := range l.line() {
		for _, t := range l.Tees {
			if t.At == p {
				out = append(out, t.Drops...)
			}
		}
	}
	return append(out, extra...)
}

// solverNoise is a difference in volt that represents none: what is left of the arithmetic where no current flows.
const solverNoise = 1e-11

// Solve computes voltages and currents, with extra drops beside those of the layout.
func (l *Layout) Solve(extra []Drop) *Solution { return l.solution(l.wire(extra, Damage{}), extra) }

// solution solves the circuit and says what it means for the layout.
func (l *Layout) solution(w *wiring, extra []Drop) *Solution {
	w.solve()
	known := func(n int) *float64 {
		if math.IsNaN(w.volts[n]) {
			return nil
		}
		return &w.volts[n]
	}
	s := new(Solution)
	drops := l.drops(extra)
	metres := 0.0
	for i, p := range l.line() {
		if i > 0 {
			metres += float64(l.Segments[i-1].Length)
		}
		x := Point{Name: p, Metres: metres, Volts: known(w.left[p]), Power: slices.ContainsFunc(l.Power,
			func(f Power) bool { return f.At == p }),
			Terminator: slices.Contains(l.Terminators, p)}
		for _, d := range drops {
			if d.At == p {
				x.Load += d.Load
			}
		}
		s.Points = append(s.Points, x)
	}
	for i, e := range w.legs {
		g := l.Segments[i]
		leg := Leg{From: g.From, To: g.To, Cable: g.Cable, Metres: float64(g.Length)}
		if v := w.volts[e.a] - w.volts[e.b]; math.Abs(v) > solverNoise { // false for NaN
			leg.Amps, leg.Volts = v/e.ohm, v
		}
		s.Legs = append(s.Legs, leg)
	}
	for i, d := range drops {
		s.Outlets = append(s.Outlets, Outlet{Device: d.label(), At: d.At, Metres: float64(d.Length),
			Load: d.Load, Volts: known(w.outlets[i])})
	}
	for _, p := range l.Power {
		s.Feeds = append(s.Feeds, s.feed(l, p))
	}
	return s
}

// feed balances the currents at one power point. A point shared by several supplies gets the sum at each of them.
func (s *Solution) feed(l *Layout, p Power) Feed {
	f := Feed{At: p.At, Voltage: float64(p.Voltage), Fuse: float64(p.Fuse)}
	cut := slices.ContainsFunc(l.Tees, func(t Tee) bool { return t.At == p.At && t.Isolates })
	for i, leg := range s.Legs {
		if leg.To == p.At {
			f.LoadLeft = -s.Legs[i].Amps / AmpsPerLoad
		}
		if leg.From == p.At && !cut {
			f.LoadRest = s.Legs[i].Amps / AmpsPerLoad
		}
	}
	for _, o := range s.Points {
		if o.Name == p.At {
			f.LoadHere = o.Load
		}
	}
	f.Amps = (f.LoadLeft + f.LoadHere + f.LoadRest) * AmpsPerLoad
	return f
}

// Lowest is the outlet with the least voltage; ok is false when none has any.
func (s *Solution) Lowest() (o Outlet, ok bool) {
	for _, x := range s.Outlets {
		if x.Volts != nil && (!ok || *x.Volts < *o.Volts) {
			o, ok = x, true
		}
	}
	return o, ok
}

// Spread is the largest difference between any two outlets or feeds, in volt.
func (s *Solution) Spread() float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, x := range s.Outlets {
		if x.Volts != nil {
			low, high = min(low, *x.Volts), max(high, *x.Volts)
		}
	}
	for _, x := range s.Points {
		if x.Volts != nil {
			low, high = min(low, *x.Volts), max(high, *x.Volts)
		}
	}
	if low > high {
		return 0
	}
	return high - low
}
