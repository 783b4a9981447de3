package locate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"muster/internal/report"
)

// shown is the least probability of a place that is listed, and atMost how many are (own choice).
const (
	shown  = 0.01
	atMost = 12
)

// found is a place with its causes, the most probable first.
type found struct {
	Place
	part   int
	causes []int
}

// result puts the weighed causes into places.
func (e *engine) result() *Result {
	r := &Result{Schema: ResultSchema, Boat: e.ev.Boat, Network: e.ev.Network, Misfit: e.ev.Misfit,
		Places: []Place{}, Together: [][]string{},
		NoFault: rounded(e.noFault), Other: rounded(e.other), LeftOut: e.leftOut, Bound: e.bound(), Groups: e.ev.Groups}
	if r.Groups == nil {
		r.Groups = [][]string{}
	}
	if !e.ev.TakenAt.IsZero() {
		r.TakenAt = e.ev.TakenAt.String()
	}
	places := e.places()
	for i := range places {
		p := &places[i]
		if p.Probability < shown || i >= atMost {
			places = places[:i]
			break
		}
		p.Probability = rounded(min(p.Probability, most))
		p.Reasons = e.reasons(p)
		r.Places = append(r.Places, p.Place)
	}
	r.Together = e.together(places)
	r.Next = e.next()
	for i := range e.ev.Readings {
		r.Readings = append(r.Readings, Weighed{e.ev.Readings[i].Text, e.contradicts(&e.ev.Readings[i])})
	}
	return r
}

func rounded(p float64) float64 { return math.Round(1000*p) / 1000 }

// places sums the causes of each part and fault, most probable first.
func (e *engine) places() []found {
	var all []found
	index := map[[2]string]int{}
	for i := range e.list {
		c := &e.list[i]
		key := [2]string{e.parts[c.part].Name, c.way.fault}
		k, ok := index[key]
		if !ok {
			k = len(all)
			index[key] = k
			all = append(all, found{Place: Place{Part: key[0], Fault: key[1]}, part: c.part})
		}
		all[k].Probability += e.shares[i]
		all[k].causes = append(all[k].causes, i)
	}
	for i := range all {
		slices.SortStableFunc(all[i].causes, func(a, b int) int { return cmp.Compare(e.shares[b], e.shares[a]) })
	}
	slices.SortStableFunc(all, func(a, b found) int { return cmp.Compare(b.Probability, a.Probability) })
	return all
}

// together are the parts that the evidence does not tell apart: their most probable causes are of one class. Each group is in the order in
// which checking them takes least time.
func (e *engine) together(places []found) [][]string {
	classOf := make([]int, len(e.list))
	for k := range e.classes {
		for _, i := range e.classes[k].causes {
			classOf[i] = k
		}
	}
	var order []int
	parts, shares := map[int][]int{}, map[int][]float64{}
	for _, p := range places {
		k := classOf[p.causes[0]]
		if parts[k] == nil {
			order = append(order, k)
		}
		if i := slices.Index(parts[k], p.part); i >= 0 {
			shares[k][i] += p.Probability
			continue
		}
		parts[k], shares[k] = append(parts[k], p.part), append(shares[k], p.Probability)
	}
	out := [][]string{}
	for _, k := range order {
		if len(parts[k]) > 1 {
			out = append(out, e.inspections(parts[k], shares[k]))
		}
	}
	return out
}

// contradicts reports whether a reading is probably wrong: what the causes make of all the rest predicts another value.
func (e *engine) contradicts(r *Reading) bool {
	fits, all := 0.0, 0.0
	for i := range e.list {
		if e.shares[i] < weakest {
			continue
		}
		p := e.predict(r, &e.list[i])
		best := 0.0
		for _, s := range supplies {
			best = max(best, p.likelihood(s))
		}
		all += e.shares[i]
		if best > .2 {
			fits += e.shares[i]
		}
	}
	return all > 0 && fits/all < .1
}

// reasons are at most three lines that say what speaks for a place.
func (e *engine) reasons(p *found) []string {
	c := &e.list[p.causes[0]]
	lines := []string{}
	if c.way.how != "" {
		lines = append(lines, "Kind: "+c.way.how+".")
	}
	if line := e.heard(c); line != "" {
		lines = append(lines, line)
	}
	if e.ev.Errors > quiet && c.way.errors > quiet {
		lines = append(lines, [levels]string{some: "There are error frames.", many: "There are many error frames."}[e.ev.Errors])
	}
	for i := range e.ev.Readings {
		r := &e.ev.Readings[i]
		if len(lines) > 2 {
			break
		}
		if line := e.speaksFor(r, c); line != "" {
			lines = append(lines, line)
		}
	}
	return lines[:min(3, len(lines))]
}

// verbs are what units do under an effect, for those of which it is seen.
var verbs = [effects]struct {
	seen []Outcome
	do   string
}{
	unharmed:  {[]Outcome{Steady}, "received all the time"},
	grazed:    {[]Outcome{Lossy, Gaps}, "losing messages"},
	marred:    {[]Outcome{Lossy, Gaps}, "losing messages"},
	noisy:     {[]Outcome{Lossy, Gaps}, "losing messages"},
	contested: {[]Outcome{Disputed}, "in conflict over an address"},
	flooding:  {[]Outcome{Floods}, "filling the bus"},
	fades:     {[]Outcome{Lossy, Gaps, Silent}, "coming and going"},
	flickers:  {[]Outcome{Gaps, Restarting, Silent}, "restarting"},
	weak:      {[]Outcome{Restarting, Silent, Absent}, "restarting or silent"},
	cut:       {[]Outcome{Silent, Absent}, "silent"},
}

// heard says which units the cause explains, and that the others are received.
func (e *engine) heard(c *cause) string {
	worst := slices.Max(append([]effect{unharmed}, c.effects...))
	if worst == unharmed {
		return ""
	}
	var names []string
	harmed, fit, others, steady := 0, 0, 0, 0
	for d, x := range c.effects {
		o := e.ev.Units[d].Outcome
		switch {
		case o == Unknown:
		case x == worst:
			harmed++
			if slices.Contains(verbs[x].seen, o) {
				fit++
				names = append(names, e.names[d])
			}
		default:
			others++
			if o == Steady {
				steady++
			}
		}
	}
	if fit == 0 {
		return ""
	}
	is := "are"
	if fit == 1 {
		is = "is"
	}
	line := fmt.Sprintf("%s %s %s", listed(names), is, verbs[worst].do)
	if fit < harmed {
		line += fmt.Sprintf(" (%d of %d behind it)", fit, harmed)
	}
	if 2*steady > others {
		line += fmt.Sprintf("; %d of the %d others are received all the time", steady, others)
	}
	return line + "."
}

// listed joins names; of many, the number.
func listed(names []string) string {
	if len(names) <= 4 {
		return strings.Join(names, ", ")
	}
	return fmt.Sprintf("%d units (%s, …)", len(names), strings.Join(names[:3], ", "))
}

// speaksFor says what a reading has to do with a cause, when without a fault it would be another.
func (e *engine) speaksFor(r *Reading, c *cause) string {
	healthy := cause{way: &way{}, wound: wound{drop: -1}}
	with, without := e.predict(r, c), e.predict(r, &healthy)
	if string(with.key()) == string(without.key()) || with.likelihood(supplies[7]) < without.likelihood(supplies[7]) {
		return ""
	}
	switch r.kind {
	case readsVolts:
		return fmt.Sprintf("Read: %s; without a fault %.1f V.", r.Text, without.value)
	case readsAmps:
		return fmt.Sprintf("Read: %s; without a fault %.1f A at full load.", r.Text, without.value)
	case readsOhm:
		return fmt.Sprintf("Read: %s; without a fault %.0f ohm.", r.Text, without.value)
	}
	return "Read: " + r.Text + "."
}

// WithoutLayout is what can be said without a layout: the units that failed together.
func WithoutLayout(r *report.Report) *Result {
	out := &Result{Schema: ResultSchema, Boat: r.Boat.Name, Places: []Place{}, Together: [][]string{}, Next: []Next{}, Groups: groups(r, ""),
		Needs: "Give a layout to find the place of a fault: deploy/examples/layout.yaml shows every key."}
	if !r.TakenAt.IsZero() {
		out.TakenAt = r.TakenAt.String()
	}
	return out
}
