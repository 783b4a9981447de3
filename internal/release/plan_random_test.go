package release

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/boat"
	"muster/internal/report"
)

// anyBoat makes up a boat and sheets for it, full of needs, met ones and unmet ones, many of which go round in circles.
func anyBoat(t testing.TB, rng *rand.Rand) (*report.Report, *Sheets, Options) {
	t.Helper()
	kinds := 2 + rng.IntN(7)
	circles := rng.IntN(2) == 0
	var entries []string
	for k := range kinds {
		rest := ""
		if rng.IntN(3) == 0 {
			rest += "    role: display\n"
		}
		if rng.IntN(3) == 0 {
			rest += fmt.Sprintf("    family: f%d\n", rng.IntN(2))
		}
		list := ""
		for range rng.IntN(3) {
			of := rng.IntN(kinds)
			if !circles {
				of = rng.IntN(k + 1)
			}
			at := []string{"1.0", "1.0", "2.0", "2.0", "3.0"}[rng.IntN(5)]
			if what := fmt.Sprintf("model: M%d", of); of == k {
				list += fmt.Sprintf(", {family: f%d, at_least: %q}", rng.IntN(2), at)
			} else {
				list += fmt.Sprintf(", {%s, at_least: %q}", what, at)
			}
		}
		if list != "" {
			rest += "    needs: [" + list[2:] + "]\n"
		}
		entries = append(entries, model(fmt.Sprintf("M%d", k), "2.0", rest))
	}
	r := &report.Report{Boat: boat.Identity{ID: "b"}, TakenAt: start}
	for i := range 1 + rng.IntN(30) {
		d := device(i, uint16(2001+rng.IntN(2)), boat.Roles()[rng.IntN(4)], fmt.Sprintf("M%d", rng.IntN(kinds)), fmt.Sprint(i),
			[]string{"1.0", "1.0", "1.0", "1.0", "2.0", "3.0", ""}[rng.IntN(7)])
		if rng.IntN(15) == 0 {
			d.State = boat.Gone
		}
		r.Devices = append(r.Devices, shown(d))
	}
	r.Complete()
	return r, sheets(t, entries...), Options{SideBySide: rng.IntN(4)}
}

// The graph of any boat is that of the plain rule: every pair of steps is tried, and what is only good practice is
// put in one by one, unless a way leads back already.
func TestEdgesAgainstPlainRule(t *testing.T) {
	circles, clear := 0, 0
	for seed := range uint64(300) {
		r, s, opts := anyBoat(t, rand.New(rand.NewPCG(seed, 0)))
		p := &planner{order: &Order{}, opts: opts}
		for _, u := range units(r) {
			p.all = append(p.all, s.assess(u))
		}
		for i := range p.all {
			p.sort(i)
		}
		for _, withSoft := range []bool{false, true} {
			got, want := p.edges(withSoft), p.plainEdges(t, withSoft)
			for _, g := range []*graph{got, want} { // whose edges have no order
				for i := range g.before {
					slices.SortFunc(g.before[i], func(a, b edge) int { return a.from - b.from })
					slices.Sort(g.after[i])
				}
			}
			if d := cmp.Diff(want, got, cmp.AllowUnexported(graph{}, edge{})); d != "" {
				t.Fatalf("boat %d: %s", seed, d)
			}
			if _, rest := got.layers(0); len(rest) > 0 {
				circles++
			} else {
				clear++
			}
		}
	}
	if circles < 30 || clear < 30 {
		t.Errorf("%d graphs with circles, %d without", circles, clear)
	}
}

func (p *planner) plainEdges(t *testing.T, soft bool) *graph {
	g := newGraph(len(p.todo))
	good := make([][]edge, len(p.todo))
	for to, i := range p.todo {
		a := &p.all[i]
		for _, n := range a.Model.needsOf(a.Model.Current.version) {
			for from, j := range p.todo {
				b := &p.all[j]
				if from == to || !b.Model.is(n) {
					continue
				}
				want, err := b.Model.scheme.ParseListed(n.AtLeast)
				if err != nil {
					t.Fatal(err)
				}
				if c, err := Compare(b.version, want); err == nil && c >= 0 {
					good[to] = append(good[to], edge{from: from, need: &n})
				} else {
					g.add(to, []edge{{from: from, need: &n}}, nil)
				}
			}
		}
		for from, j := range p.todo {
			if b := &p.all[j]; b.role() == boat.RoleDisplay && a.role() != boat.RoleDisplay && sameManufacturer(&a.Unit, &b.Unit) {
				good[to] = append(good[to], edge{from: from})
			}
		}
	}
	for to := range good {
		for _, e := range good[to] {
			if soft && !reach(to, g.after)[e.from] {
				g.add(to, []edge{e}, nil)
			}
		}
	}
	return g
}
