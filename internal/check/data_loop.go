package check

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"muster/internal/boat"
)

// Shares of changes from which one source is a copy of another. Two sensors of one thing can show the same rounded values too, but then
// either seems to follow the other; a copy is only ever behind.
const (
	copies   = 0.9
	chance   = 0.5
	maxPaths = 8
)

// dataLoop: a source on a network that repeats, a little later, what another source on the same network sent before:
// its data went out through a gateway and came back.
func dataLoop(p *Pass) {
	network := map[string]string{}
	for i := range p.State.Sources {
		network[p.State.Sources[i].ID] = p.State.Sources[i].Network
	}
	p.comparable()
	links := p.copied()
	edges := make([]edge, 0, len(links))
	for e := range links {
		edges = append(edges, e)
	}
	slices.SortFunc(edges, func(a, b edge) int { return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.to, b.to)) })
	for _, e := range edges {
		if network[e.from] == "" || network[e.from] != network[e.to] || links[e].lag == 0 {
			continue // handed on from one network to another, as gateways do; or given at once by one box of two NAMEs
		}
		original := !slices.ContainsFunc(edges, func(o edge) bool {
			return o.to == e.from && network[o.from] == network[e.from] && links[o].lag > 0
		})
		if !original {
			continue
		}
		c := links[e]
		var way []string // sources of other networks that repeat the first and are repeated by the last
		for _, o := range edges {
			if o.from == e.from && links[edge{o.to, e.to}] != nil && network[o.to] != network[e.to] && len(way) < maxPaths {
				way = append(way, o.to)
			}
		}
		slices.SortStableFunc(way, func(a, b string) int {
			return cmp.Compare(links[edge{e.from, a}].lag, links[edge{e.from, b}].lag)
		})
		ids := append(append([]string{e.from}, way...), e.to)
		path := ""
		for i, id := range ids {
			if i > 0 {
				path += " → "
			}
			path += p.sourceLabel(id)
		}
		proof := evidence("path", ids, "measures", c.measures, "changes", c.tried, "matched", c.matched, "lag_ms", c.lag.Milliseconds())
		if a, b := p.source(c.of[0], e.from), p.source(c.of[0], e.to); a != nil && b != nil {
			proof[SeriesKey] = traces(c.of[0], a, b, c.lag)
		}
		p.Find(Finding{
			Subject: e.from + " " + e.to, Devices: p.deviceIDs(ids), Network: network[e.to], Evidence: proof,
			Values: Values{"measures": capital(enumerate(c.measures)), "source": p.sourceLabel(e.from), "network": network[e.to], "lag": span(c.lag), "path": path},
		})
	}
}

// edge is a copy: the source that it is of, and the source that gives it.
type edge struct{ from, to string }

// copied is what a source repeats of another.
type copied struct {
	of       []boat.Measure
	measures []string
	lag      time.Duration
	tried    int
	matched  int
}

// copied yields the copies that the changes of values show, whatever network either source is on.
func (p *Pass) copied() map[edge]*copied {
	type copies struct{}
	return Once(p, copies{}, p.findCopied)
}

// later is the copy of one source that another gives after it; nil for none, and for one at once, as of one box with two ways out.
func (p *Pass) later(from, to string) *copied {
	if c := p.copied()[edge{from, to}]; c != nil && c.lag > 0 {
		return c
	}
	return nil
}

func (p *Pass) findCopied() map[edge]*copied {
	links := map[edge]*copied{}
	back := map[string]*boat.Echo{}
	for i := range p.State.Echoes {
		e := &p.State.Echoes[i]
		back[fmt.Sprint(e.Measure, e.From, "\x00", e.To)] = e
	}
	for i := range p.State.Echoes {
		e := &p.State.Echoes[i]
		if e.Tried < p.Settings.DataLoop.Changes || float64(e.Matched) < copies*float64(e.Tried) {
			continue
		}
		if b := back[fmt.Sprint(e.Measure, e.To, "\x00", e.From)]; b != nil && float64(b.Matched) > chance*float64(b.Tried) {
			continue
		}
		c := links[edge{e.From, e.To}]
		if c == nil {
			c = &copied{}
			links[edge{e.From, e.To}] = c
		}
		c.of, c.measures = append(c.of, e.Measure), append(c.measures, e.Measure.String())
		c.tried, c.matched, c.lag = c.tried+e.Tried, c.matched+e.Matched, max(c.lag, e.Lag)
	}
	return links
}

// restless is how long it takes to see that a value does not change: then listening longer does not help, moving the boat does.
const restless = 2 * time.Minute

// comparable marks the quantities that have two sources whose values changed often enough to separate a copy from a
// second sensor.
func (p *Pass) comparable() {
	two := false
	for _, m := range boat.Measures() {
		if m == boat.ClockOffset || len(p.sources(m)) < 2 { // clocks are compared, but their offset has no series of changes
			continue
		}
		two = true
		tried := 0
		for i := range p.State.Echoes {
			if e := &p.State.Echoes[i]; e.Measure == m {
				tried = max(tried, e.Tried)
			}
		}
		if more := p.Settings.DataLoop.Changes - tried; more > 0 {
			why := fmt.Sprintf("%s needs %d changes of the value, has %d", m, p.Settings.DataLoop.Changes, tried)
			if heard, _ := p.heard(""); heard < restless {
				p.Short("", m.String(), why, time.Duration(more)*time.Second)
			} else {
				p.NotJudged("", m.String(), why, NeedTraffic)
			}
			continue
		}
		p.Clear("", m.String())
	}
	if !two {
		p.NotJudged("", "", "no quantity has two sources", NeedSources)
	}
}
