package locate_test

import (
	"flag"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"testing"

	"muster/internal/locate"
	"muster/internal/sim/fault"
)

var (
	scoreFull  = flag.Bool("full", false, "TestScore: 1,000 boats with one fault and 300 with two; without it, a run of seconds")
	scoreBoats = flag.Int("boats", 12, "TestScore: so many boats with one fault, and a third as many with two")
)

// tally is what was counted of boats with so many faults.
type tally struct {
	boats, separate           int
	first, three              int // of those that the evidence separates
	allFirst, allThree        int // of all
	groupFirst                int // of all: the part, or one that the result does not separate from it, is first
	tests, halving            []float64
	bus, others               []float64 // tests, of faults of the bus itself and of all others
	minutes                   []float64
	forecast, outcome, weight [10]float64 // by tenth of the probability
	brier, certain            float64
	missed                    []string
}

// TestScore makes random boats with faults, asks where they are, and does what is proposed until each is found.
func TestScore(t *testing.T) {
	one, two := *scoreBoats, *scoreBoats/3
	if *scoreFull {
		one, two = 1000, 300
	}
	if testing.Short() {
		one, two = 6, 2
	}
	single, double := new(tally), new(tally)
	for i := range one {
		single.ask(t, newPatient(1+uint64(i), 1), true)
		if k := i * two / one; k != (i+1)*two/one {
			double.ask(t, newPatient(500_000+uint64(k), 2), k%3 == 0)
		}
		if i%50 == 49 {
			t.Logf("so far\n%s", table(single, double)) // a full run takes long
		}
	}
	t.Logf("\n%s", table(single, double))
	share := func(a, b int) float64 { return float64(a) / math.Max(1, float64(b)) }
	if !*scoreFull {
		if share(single.allThree, single.boats) < .5 || share(single.groupFirst, single.boats) < .4 {
			t.Errorf("of %d boats %d among three, %d first or not separated from it", single.boats, single.allThree, single.groupFirst)
		}
		return
	}
	if got := share(single.first, single.separate); got < .70 {
		t.Errorf("first in %.3f", got)
	}
	if got := share(single.three, single.separate); got < .95 {
		t.Errorf("among three in %.3f", got)
	}
	if mean(single.tests) > mean(single.halving)/2 || percentile(single.tests, .9) > percentile(single.halving, .9)/2 {
		t.Errorf("more tests than half of halving")
	}
}

// ask looks at the first answer, then follows what is proposed.
func (s *tally) ask(t *testing.T, p *patient, follow bool) {
	ev := p.hear(t)
	opt := locate.Options{}
	if p.told {
		opt.At = p.post
	}
	l := locate.New(p.layout, opt)
	r := l.Locate(ev)
	s.boats++
	var parts []string
	for _, x := range r.Places {
		if !slices.Contains(parts, x.Part) {
			parts = append(parts, x.Part)
		}
	}
	truth := map[string]bool{}
	for _, f := range p.faults {
		truth[f.Part.Name] = true
	}
	rank := slices.IndexFunc(parts, func(name string) bool { return truth[name] })
	separate := len(p.faults) == 1 && p.separates()
	if separate {
		s.separate++
	}
	if rank == 0 {
		s.allFirst++
	}
	if rank >= 0 && rank < 3 {
		s.allThree++
	}
	if separate && rank == 0 {
		s.first++
	}
	if separate && rank >= 0 && rank < 3 {
		s.three++
	} else if separate {
		s.missed = append(s.missed, fmt.Sprintf("%s (rank %d, first %s)", p.faults[0], rank, strings.Join(parts[:min(2, len(parts))], ", ")))
	}
	if len(parts) > 0 && (rank == 0 || slices.ContainsFunc(r.Together, func(g []string) bool {
		return slices.Contains(g, parts[0]) && slices.ContainsFunc(g, func(name string) bool { return truth[name] })
	})) {
		s.groupFirst++
	}
	s.calibrate(r, p.faults)
	if follow {
		s.follow(t, p, l, ev, r)
	}
}

// calibrate counts how often a stated probability comes true.
func (s *tally) calibrate(r *locate.Result, faults []fault.Fault) {
	for _, x := range r.Places {
		is := 0.0
		if slices.ContainsFunc(faults, func(f fault.Fault) bool { return f.Part.Name == x.Part && f.Kind == x.Fault }) {
			is = 1
		}
		k := min(9, int(10*x.Probability))
		s.forecast[k] += x.Probability
		s.outcome[k] += is
		s.weight[k]++
		s.brier += (x.Probability - is) * (x.Probability - is)
		s.certain += is
	}
}

// mostTests ends a search that does not find its fault.
const mostTests = 25

// follow does the first proposal again and again until every faulty part was checked and found so. Of two, the one that is found first is
// mended, and the boat received anew.
func (s *tally) follow(t *testing.T, p *patient, l *locate.Locator, ev *locate.Evidence, r *locate.Result) {
	tests, minutes, line := 0, 0.0, 0.0
	left, onBus := len(p.faults), p.onBus(0)
	for range left {
		line += math.Ceil(math.Log2(float64(len(p.parts))))
	}
	done := map[string]int{}
	for tests < mostTests && left > 0 {
		n, ok := proposal(r, done)
		if !ok {
			break
		}
		done[n.Reading]++
		text := p.do(n)
		tests++
		minutes += n.Minutes
		name, faulty := strings.CutSuffix(text, ": faulty")
		switch {
		case faulty && left == 1:
			left = 0
			continue
		case faulty:
			left--
			p, done = p.mended(strings.TrimPrefix(name, "checked ")), map[string]int{}
			ev = p.hear(t)
		default:
			reading, err := locate.ParseReading(p.layout, text)
			if err != nil {
				t.Fatal(err)
			}
			ev.Readings = append(ev.Readings, reading)
		}
		r = l.Locate(ev)
	}
	if left > 0 {
		tests = mostTests
	}
	if onBus {
		s.bus = append(s.bus, float64(tests))
	} else {
		s.others = append(s.others, float64(tests))
	}
	s.tests, s.halving, s.minutes = append(s.tests, float64(tests)), append(s.halving, line), append(s.minutes, minutes)
}

// proposal is the first one that was not done yet, or else the first place to check.
func proposal(r *locate.Result, done map[string]int) (locate.Next, bool) {
	for _, n := range r.Next {
		if done[n.Reading] == 0 {
			return n, true
		}
	}
	for _, x := range r.Places {
		n := locate.Next{Reading: "checked " + x.Part + ": faulty / OK", Minutes: 6}
		if done[n.Reading] < 2 {
			return n, true
		}
	}
	return locate.Next{}, false
}

// separates enumerates every fault of every part, and reports whether none of another part shows the same as the boat's own: the same units
// harmed, in the same way. The physics are those of the simulator.
func (p *patient) separates() bool {
	own := p.signature(p.faults[0], p.broken)
	for _, part := range p.parts {
		if part == p.faults[0].Part {
			continue
		}
		for _, kind := range fault.Kinds(part.Kind) {
			f := fault.Fault{Kind: kind, Part: part, From: p.faults[0].From}
			alone := part.Kind == "drop" || part.Kind == "connector" || part.Kind == "unit"
			if how[kind] != how[p.faults[0].Kind] || part.Kind == "feed" && kind == "extra" && len(p.layout.Power) == 1 ||
				alone && how[kind] != "spoilt" && kind != "short" && kind != "hung" && kind != "reversed" && !slices.Equal(p.broken.Harmed[0], []int{part.I}) {
				continue
			}
			for seed := range uint64(2) { // a fault has several ways to be
				sc := *p.sc
				sc.Devices = slices.Clone(p.sc.Devices)
				b, err := fault.Break(&sc, p.layout, p.post, seed, f)
				if err == nil && len(b.Harmed[0]) > 0 && p.signature(f, b) == own {
					return false
				}
			}
		}
	}
	return own != "unseen"
}

// signature is what a listener can notice of a fault.
func (p *patient) signature(f fault.Fault, b *fault.Broken) string {
	if d := f.Part.I; f.Kind == "corrupting" && f.Part.Kind == "unit" && p.rare[p.layout.Drops()[d].Device] {
		return "unseen" // it sends too rarely to miss anything
	}
	return fmt.Sprint(how[f.Kind], b.Harmed[0])
}

// how units are harmed by a fault.
var how = map[string]string{"open": "away", "reversed": "away", "resistive": "weak", "brown-out": "weak", "intermittent": "comes and goes",
	"corrupting": "lossy", "flooding": "floods", "swapped": "disputed", "short": "away", "hung": "away", "water": "spoilt", "missing": "spoilt", "extra": "spoilt"}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / math.Max(1, float64(len(v)))
}

func percentile(v []float64, p float64) float64 {
	if len(v) == 0 {
		return 0
	}
	v = slices.Clone(v)
	sort.Float64s(v)
	return v[int(p*float64(len(v)-1))]
}

// table is the score as it is published.
func table(all ...*tally) string {
	var b strings.Builder
	for i, s := range all {
		if s.boats == 0 {
			continue
		}
		share := func(n, of int) string {
			return fmt.Sprintf("%d of %d (%.3f)", n, of, float64(n)/math.Max(1, float64(of)))
		}
		fmt.Fprintf(&b, "%d boats with %d fault(s)\n", s.boats, i+1)
		if i == 0 {
			fmt.Fprintf(&b, "  evidence separates             %s; left out %.3f\n", share(s.separate, s.boats), 1-float64(s.separate)/float64(s.boats))
			fmt.Fprintf(&b, "  first, where it does           %s\n  among three, where it does     %s\n", share(s.first, s.separate), share(s.three, s.separate))
		}
		fmt.Fprintf(&b, "  first, of all                  %s\n  among three, of all            %s\n  first or not separated from it %s\n",
			share(s.allFirst, s.boats), share(s.allThree, s.boats), share(s.groupFirst, s.boats))
		fmt.Fprintf(&b, "  tests: mean %.2f, 90th percentile %.0f; halving in order %.2f and %.0f; minutes: mean %.0f; %d searches\n", mean(s.tests), percentile(s.tests, .9),
			mean(s.halving), percentile(s.halving, .9), mean(s.minutes), len(s.tests))
		fmt.Fprintf(&b, "  of faults of the bus itself    mean %.2f, 90th percentile %.0f; %d searches\n", mean(s.bus), percentile(s.bus, .9), len(s.bus))
		fmt.Fprintf(&b, "  of all others                  mean %.2f, 90th percentile %.0f; %d searches\n", mean(s.others), percentile(s.others, .9), len(s.others))
		fmt.Fprintf(&b, "  stated      came true   forecasts\n")
		n := 0.0
		gap := 0.0
		for k := range s.weight {
			if s.weight[k] > 0 {
				fmt.Fprintf(&b, "  %.3f       %.3f       %.0f\n", s.forecast[k]/s.weight[k], s.outcome[k]/s.weight[k], s.weight[k])
				gap += math.Abs(s.forecast[k] - s.outcome[k])
				n += s.weight[k]
			}
		}
		fmt.Fprintf(&b, "  Brier score %.4f (always the base rate: %.4f), calibration error %.4f\n", s.brier/n, s.certain/n*(1-s.certain/n), gap/n)
		for _, m := range s.missed[:min(12, len(s.missed))] {
			fmt.Fprintf(&b, "  missed: %s\n", m)
		}
	}
	return b.String()
}
