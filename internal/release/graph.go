package release

import "slices"

// edge requires another step to be done before this one.
type edge struct {
	from   int
	need   *Need // what this one needs of the other; nil when it is only that displays go before accessories
	chosen bool  // by a person
}

// graph is the steps of an order, numbered in the order in which they are listed when nothing else decides.
type graph struct {
	before [][]edge // to each node
	after  [][]int  // the nodes that wait for each node
}

func newGraph(n int) *graph { return &graph{make([][]edge, n), make([][]int, n)} }

// add puts edges to one node in: one from each node at most, and none from those that are unwanted, which may be nil.
func (g *graph) add(to int, edges []edge, unwanted []bool) {
	have := make([]bool, len(g.before))
	copy(have, unwanted)
	for _, e := range g.before[to] {
		have[e.from] = true
	}
	for _, e := range edges {
		if !have[e.from] {
			have[e.from] = true
			g.before[to] = append(g.before[to], e)
			g.after[e.from] = append(g.after[e.from], to)
		}
	}
}

// reach marks a and every node to which a path leads from it.
func reach(a int, after [][]int) []bool {
	seen := make([]bool, len(after))
	seen[a] = true
	for todo := []int{a}; len(todo) > 0; {
		x := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		for _, y := range after[x] {
			if !seen[y] {
				seen[y] = true
				todo = append(todo, y)
			}
		}
	}
	return seen
}

// layers sorts the nodes topologically into layers: a node is in the first layer after all that it waits for, and
// within a layer by number, so the result is the same for the same graph. most bounds a layer's size, 0 for no bound.
// Nodes on a cycle, or after one, are in no layer but in rest, by number.
func (g *graph) layers(most int) (out [][]int, rest []int) {
	waits := make([]int, len(g.before))
	for i, edges := range g.before {
		waits[i] = len(edges)
		rest = append(rest, i)
	}
	for {
		var layer []int
		later := rest[:0]
		for _, i := range rest {
			if waits[i] == 0 && (most == 0 || len(layer) < most) {
				layer = append(layer, i)
			} else {
				later = append(later, i)
			}
		}
		rest = later
		if len(layer) == 0 {
			return out, rest
		}
		for _, i := range layer {
			for _, to := range g.after[i] {
				waits[to]--
			}
		}
		out = append(out, layer)
	}
}

// knot is nodes that wait for each other.
type knot struct {
	nodes []int // by number
	cycle []int // one way round, beginning with the lowest
}

// knots lists those among the nodes that are in no layer, by their lowest node.
func (g *graph) knots(rest []int) []knot {
	back := make([][]int, len(g.before))
	for to, edges := range g.before {
		for _, e := range edges {
			back[to] = append(back[to], e.from)
		}
	}
	var out []knot
	tied := make([]bool, len(g.before))
	for _, a := range rest {
		if tied[a] {
			continue
		}
		k := knot{cycle: g.around(a)}
		if k.cycle == nil {
			continue
		}
		to, from := reach(a, g.after), reach(a, back)
		for b := range to {
			if to[b] && from[b] {
				tied[b] = true
				k.nodes = append(k.nodes, b)
			}
		}
		out = append(out, k)
	}
	return out
}

// around is a shortest way from a back to a, nil when there is none.
func (g *graph) around(a int) []int {
	from := make([]int, len(g.before))
	for i := range from {
		from[i] = -1
	}
	for todo := []int{a}; len(todo) > 0; todo = todo[1:] {
		x := todo[0]
		for _, y := range g.after[x] {
			if y == a {
				path := []int{x}
				for x != a {
					x = from[x]
					path = append(path, x)
				}
				slices.Reverse(path)
				return path
			}
			if from[y] < 0 {
				from[y] = x
				todo = append(todo, y)
			}
		}
	}
	return nil
}
