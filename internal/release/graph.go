package release

import "slices"

// edge says that one step must be done before another.
type edge struct {
	from, to int
	why      string
	hard     bool // the later update does not work without the earlier one; a soft one is only good practice
}

// graph is the steps of an order, numbered in the order in which they are listed when nothing else decides.
type graph struct {
	n     int
	edges []edge
}

// add puts an edge in unless it or its like is there.
func (g *graph) add(e edge) {
	if !slices.ContainsFunc(g.edges, func(o edge) bool { return o.from == e.from && o.to == e.to }) {
		g.edges = append(g.edges, e)
	}
}

// reaches reports whether a path leads from a to b.
func (g *graph) reaches(a, b int) bool {
	seen := make([]bool, g.n)
	todo := []int{a}
	for len(todo) > 0 {
		x := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		if x == b {
			return true
		}
		if seen[x] {
			continue
		}
		seen[x] = true
		for _, e := range g.edges {
			if e.from == x {
				todo = append(todo, e.to)
			}
		}
	}
	return false
}

// layers sorts the nodes topologically into layers: a node stands in the first layer after all that it waits for, and within a layer
// by number, so the result is the same for the same graph. most bounds a layer's size, 0 for no bound. Nodes on a cycle, or after one,
// are in no layer.
func (g *graph) layers(most int) [][]int {
	waits := make([]int, g.n)
	for _, e := range g.edges {
		waits[e.to]++
	}
	done := make([]bool, g.n)
	var out [][]int
	for {
		var layer []int
		for i := range g.n {
			if !done[i] && waits[i] == 0 && (most == 0 || len(layer) < most) {
				layer = append(layer, i)
			}
		}
		if len(layer) == 0 {
			return out
		}
		for _, i := range layer {
			done[i] = true
			for _, e := range g.edges {
				if e.from == i {
					waits[e.to]--
				}
			}
		}
		out = append(out, layer)
	}
}

// cycles lists one cycle for each knot of nodes that wait for each other, beginning with its lowest node.
func (g *graph) cycles() [][]int {
	var out [][]int
	inKnot := make([]bool, g.n)
	for a := range g.n {
		if inKnot[a] {
			continue
		}
		path := g.around(a)
		if path == nil {
			continue
		}
		for b := range g.n {
			if g.reaches(a, b) && g.reaches(b, a) {
				inKnot[b] = true
			}
		}
		out = append(out, path)
	}
	return out
}

// around is a shortest way from a back to a, nil when there is none.
func (g *graph) around(a int) []int {
	from := make([]int, g.n)
	for i := range from {
		from[i] = -1
	}
	todo := []int{a}
	for len(todo) > 0 {
		x := todo[0]
		todo = todo[1:]
		for _, e := range g.edges {
			if e.from != x {
				continue
			}
			if e.to == a {
				path := []int{x}
				for path[0] != a {
					path = slices.Insert(path, 0, from[path[0]])
				}
				return path
			}
			if from[e.to] < 0 {
				from[e.to] = x
				todo = append(todo, e.to)
			}
		}
	}
	return nil
}
