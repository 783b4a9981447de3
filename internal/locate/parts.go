package locate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"muster/internal/backbone"
)

// dataOhm is ohm per metre of one data conductor: DeviceNet thin and thick cable data; mid is calculated from 20 AWG.
var dataOhm = map[string]float64{"micro": 0.0919, "mid": 0.0333, "mini": 0.0226}

// network is a layout as faults see it: points in a line, cables between neighbours, and drops at points.
type network struct {
	layout     *backbone.Layout
	points     []string
	drops      []backbone.Drop
	names      []string  // of each drop's device, each once
	at         []int     // point of each drop
	data       []float64 // ohm of NET-H and NET-L together, of each cable
	terminated []int     // terminators at each point
	posts      []int     // points where the interface may be
	health     *volts
	amps       []float64 // of each cable without a fault
}

// newNetwork makes ready what does not depend on a fault. post is the point where the interface is, "" when that is unknown.
func newNetwork(l *backbone.Layout, post string) *network {
	n := &network{layout: l, points: l.Line(), drops: l.Drops()}
	for _, g := range l.Segments {
		n.data = append(n.data, 2*dataOhm[g.Cable]*float64(g.Length))
	}
	n.terminated = make([]int, len(n.points))
	for _, p := range l.Terminators {
		n.terminated[n.point(p)]++
	}
	for i, p := range n.points {
		if p == post || post == "" && slices.ContainsFunc(n.drops, func(d backbone.Drop) bool { return d.At == p }) {
			n.posts = append(n.posts, i)
		}
	}
	if len(n.posts) == 0 { // nothing is connected yet: it may be anywhere
		for i := range n.points {
			n.posts = append(n.posts, i)
		}
	}
	for _, d := range n.drops {
		n.at = append(n.at, n.point(d.At))
		name := d.Label()
		if slices.Contains(n.names, name) {
			name = fmt.Sprintf("%s, %s", name, d.At)
		}
		for i := 2; slices.Contains(n.names, name); i++ {
			name = fmt.Sprintf("%s, %s %d", d.Label(), d.At, i)
		}
		n.names = append(n.names, name)
	}
	s := l.Solve(nil)
	n.health = voltsOf(s)
	for _, g := range s.Legs {
		n.amps = append(n.amps, g.Amps)
	}
	return n
}

func (n *network) point(name string) int { return slices.Index(n.points, name) }

// The kinds of part.
const (
	kindCable      = "cable"
	kindTee        = "tee"
	kindDrop       = "drop"
	kindConnector  = "connector"
	kindUnit       = "unit"
	kindTerminator = "terminator"
	kindFeed       = "feed"
	kindFuse       = "fuse"
	kindInterface  = "interface"
)

// Part is a part of the network: its kind, and which of the cables, points, drops or power points of the layout it is.
type Part struct {
	Kind string
	Name string // as results write it: "tee helm", "cable helm – mast", "drop wind"
	I    int
	At   string // point of the backbone where it is; the first of the two for a cable
}

// parts lists every part that can fail, along the line. A terminator that the layout does not have is a part too: it may be an extra one.
func (n *network) parts() []Part {
	var all []Part
	add := func(kind, name string, i int) {
		p := Part{Kind: kind, Name: strings.TrimSpace(kind + " " + name), I: i}
		p.At = n.points[n.near(p)]
		all = append(all, p)
	}
	for p, name := range n.points {
		tee := slices.Contains(n.at, p) || slices.ContainsFunc(n.layout.Tees,
			func(t backbone.Tee) bool { return t.At == name })
		if tee {
			add(kindTee, strings.TrimPrefix(name, "tee "), p)
		}
		if n.terminated[p] > 0 || tee {
			add(kindTerminator, name, p)
		}
		for d := range n.drops {
			if n.at[d] == p {
				add(kindDrop, n.names[d], d)
				add(kindConnector, n.names[d], d)
				add(kindUnit, n.names[d], d)
			}
		}
		if f := n.layout.Feed(name); f >= 0 {
			add(kindFeed, name, f)
			if n.layout.Power[f].Fuse > 0 {
				add(kindFuse, name, f)
			}
		}
		if p < len(n.data) {
			add(kindCable, name+" – "+n.points[p+1], p)
		}
	}
	add(kindInterface, "", 0)
	return all
}

// near is the point of the backbone where the part is; the first of the two for a cable.
func (n *network) near(p Part) int {
	switch p.Kind {
	case kindDrop, kindConnector, kindUnit:
		return n.at[p.I]
	case kindFeed, kindFuse:
		return n.point(n.layout.Power[p.I].At)
	case kindInterface:
		return n.posts[0]
	}
	return p.I
}

// Parts lists every part of the layout that can fail, along the line.
func Parts(l *backbone.Layout) []Part { return newNetwork(l, "").parts() }

// FindPart finds a part of the layout by the name that results give it. A tee may also be called by its number along the line.
func FindPart(l *backbone.Layout, name string) (Part, error) {
	return newNetwork(l, "").findPart(name)
}

func (n *network) findPart(name string) (Part, error) {
	all := n.parts()
	name = plain(name)
	for _, p := range all {
		if strings.EqualFold(plain(p.Name), name) {
			return p, nil
		}
	}
	if number, ok := strings.CutPrefix(name, "tee "); ok {
		tees := slices.DeleteFunc(slices.Clone(all), func(p Part) bool { return p.Kind != kindTee })
		if k := slices.IndexFunc(tees, func(p Part) bool { return strings.EqualFold(n.points[p.I], number) }); k >= 0 {
			return tees[k], nil
		}
		if i, err := strconv.Atoi(number); err == nil && i >= 1 && i <= len(tees) {
			return tees[i-1], nil
		}
	}
	return Part{}, fmt.Errorf("the layout has no part %q: write one such as %s", name, examples(all))
}

// plain writes a name with single spaces and the dash that is on every keyboard.
func plain(s string) string {
	return strings.Join(strings.Fields(strings.NewReplacer("–", "-", "—", "-").Replace(s)), " ")
}

// examples are parts of different kinds.
func examples(all []Part) string {
	var some []string
	for i, p := range all {
		if slices.IndexFunc(all, func(o Part) bool { return o.Kind == p.Kind }) == i && len(some) < 4 {
			some = append(some, strconv.Quote(plain(p.Name)))
		}
	}
	return strings.Join(some, ", ")
}

// outdoors are words of places and roles that are in the weather.
var outdoors = []string{"mast", "bow", "stern", "deck", "fly", "arch", "cockpit", "transom", "wind", "position", "radar", "weather"}

// exposed reports whether the part is in the weather, and whether one climbs up a mast to it, as far as names say.
func (n *network) exposed(p Part) (outside, mast bool) {
	words := n.points[n.near(p)]
	if p.Kind == kindDrop || p.Kind == kindConnector || p.Kind == kindUnit {
		words += " " + n.names[p.I] + " " + n.drops[p.I].Role
	}
	words = strings.ToLower(words)
	mast = strings.Contains(words, "masthead") || p.Kind != kindDrop && strings.Contains(words, "wind")
	return mast || slices.ContainsFunc(outdoors, func(w string) bool { return strings.Contains(words, w) }),
		mast && p.Kind != kindTee
}

// volts are the voltages of points and of units at their drops, 0 where no power reaches, and the currents of the feeds.
type volts struct{ points, outlets, amps []float64 }

func voltsOf(s *backbone.Solution) *volts {
	zero := 0.0
	v := new(volts)
	for _, p := range s.Points {
		v.points = append(v.points, max(0, *cmp.Or(p.Volts, &zero)))
	}
	for _, o := range s.Outlets {
		v.outlets = append(v.outlets, max(0, *cmp.Or(o.Volts, &zero)))
	}
	for _, f := range s.Feeds {
		v.amps = append(v.amps, max(0, f.Amps))
	}
	return v
}

// open is the resistance of what is cut.
var open = math.Inf(1)
