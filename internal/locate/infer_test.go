package locate

import (
	"math"
	"slices"
	"testing"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %.4f, want %.4f", what, got, want)
	}
}

// multipliers is the worked example of de Kleer and Williams, "Diagnosing multiple faults" (1987): three multipliers and two adders,
// X = A·C, Y = B·D, Z = C·E, F = X+Y, G = Y+Z. The probabilities and bits are calculated with a share of 0.01 for each component and
// consistency alone; the choice of X is the published one.
type multipliers struct {
	broken [5]bool // M1, M2, M3, A1, A2
}

// allows reports whether X, Y and Z can have the values with what is broken.
func (m multipliers) allows(x, y, z int) bool {
	const f, g = 10, 12
	right := [5]bool{x == 3*2, y == 2*3, z == 2*3, f == x+y, g == y+z}
	for i, broken := range m.broken {
		if !broken && !right[i] {
			return false
		}
	}
	return true
}

// at is whether a candidate allows a value at a point when the others are free; -1 for any value.
func (m multipliers) at(point, value int) bool {
	for x := -20; x <= 40; x++ {
		for y := -20; y <= 40; y++ {
			for z := -20; z <= 40; z++ {
				if [3]int{x, y, z}[point] == value && m.allows(x, y, z) {
					return true
				}
			}
		}
	}
	return false
}

func TestProbingForMultipleFaults(t *testing.T) {
	var all []multipliers
	var weights []float64
	for set := 1; set < 1<<5; set++ {
		var m multipliers
		w := 1.0
		for i := range m.broken {
			m.broken[i] = set&(1<<i) != 0
			if w *= .99; m.broken[i] {
				w *= .01 / .99
			}
		}
		fits := false
		for x := -20; x <= 40 && !fits; x++ {
			for y := -20; y <= 40 && !fits; y++ {
				for z := -20; z <= 40 && !fits; z++ {
					fits = m.allows(x, y, z)
				}
			}
		}
		if fits {
			all, weights = append(all, m), append(weights, w)
		}
	}
	b := believe(weights)
	share := func(broken ...int) float64 {
		var want multipliers
		for _, i := range broken {
			want.broken[i] = true
		}
		k := slices.Index(all, want)
		if k < 0 {
			return 0
		}
		return b[k]
	}
	near(t, "share of M1", share(0), .478, .001)
	near(t, "share of A1", share(3), .478, .001)
	near(t, "share of M2 alone", share(1), 0, 0)
	near(t, "share of M2 and M3", share(1, 2), .0048, .0001)
	near(t, "share of A2 and M2", share(4, 1), .0048, .0001)
	near(t, "entropy", b.entropy(), 1.359, .005)

	// a candidate that allows several values of a point leaves each as likely
	probes := [3]trial{}
	values := []int{4, 5, 6, 7, 8}
	of := make([]int, len(all))
	var gains [3]float64
	for point := range probes {
		for _, v := range values {
			row := make([]float64, len(all))
			for i, m := range all {
				if m.at(point, v) {
					row[i] = 1
				}
			}
			probes[point] = append(probes[point], row)
		}
		for i := range all {
			of[i] = i
			sum := 0.0
			for k := range values {
				sum += probes[point][k][i]
			}
			for k := range values {
				probes[point][k][i] /= max(1, sum)
			}
		}
		gains[point] = probes[point].gain(b, of)
	}
	near(t, "P(X = 6)", probes[0].chance(b)[2], .502, .01)
	near(t, "P(X = 4)", probes[0].chance(b)[0], .493, .01)
	near(t, "P(Y = 6)", probes[1].chance(b)[2], .990, .01)
	near(t, "P(Z = 6)", probes[2].chance(b)[2], .995, .01)
	if gains[0] < .9 || gains[0] <= gains[1] || gains[0] <= gains[2] {
		t.Errorf("gains %v: X is the best probe, with about 1 bit", gains)
	}
}

// TestOneTest: prior 0.20, hit rate 0.90, correct negative 0.95 (calculated).
func TestOneTest(t *testing.T) {
	b := belief{.2, .8}
	test := trial{{.9, .05}, {.1, .95}}
	near(t, "P(positive)", test.chance(b)[0], .22, 1e-9)
	near(t, "after positive", b.after(test[0])[0], .818, .0005)
	near(t, "after negative", b.after(test[1])[0], .0256, .0005)
	near(t, "entropy", b.entropy(), .722, .0005)
	near(t, "gain", test.gain(b, []int{0, 1}), .437, .0005)
}

// TestOrderOfInspection: p .45 .30 .15 .10 with costs 10 4 1 20 is least as 3, 2, 1, 4 (calculated by the rule of Kadane and Simon).
func TestOrderOfInspection(t *testing.T) {
	p, c := []float64{.45, .30, .15, .10}, []float64{10, 4, 1, 20}
	order := inspection(p, c)
	if want := []int{2, 1, 0, 3}; !slices.Equal(order, want) {
		t.Errorf("order %v, want %v", order, want)
	}
	near(t, "cost", expectedMinutes(order, p, c), 11.90, 1e-9)
	near(t, "cost by probability", expectedMinutes([]int{0, 1, 2, 3}, p, c), 14.45, 1e-9)
	near(t, "worst cost", expectedMinutes([]int{3, 0, 1, 2}, p, c), 30.95, 1e-9)
}

// TestSplit: a split by probability needs 2.60 tests on average where one by count needs 3 (calculated); the gain chooses it.
func TestSplit(t *testing.T) {
	b := belief{.4, .2, .1, .1, .05, .05, .05, .05}
	near(t, "entropy", b.entropy(), 2.522, .0005)
	of := make([]int, len(b))
	for i := range of {
		of[i] = i
	}
	var mean func(lo, hi int) float64
	mean = func(lo, hi int) float64 {
		if hi-lo == 1 {
			return 0
		}
		best, at := -1.0, lo+1
		for cut := lo + 1; cut < hi; cut++ {
			test := trial{make([]float64, len(b)), make([]float64, len(b))}
			rest := make([]float64, len(b))
			for i := lo; i < hi; i++ {
				rest[i] = b[i]
				if i < cut {
					test[0][i] = 1
				} else {
					test[1][i] = 1
				}
			}
			if g := test.gain(believe(rest), of); g > best+1e-12 {
				best, at = g, cut
			}
		}
		here := 0.0
		for _, p := range b[lo:hi] {
			here += p
		}
		return here + mean(lo, at) + mean(at, hi)
	}
	near(t, "tests", mean(0, len(b)), 2.60, 1e-9)
}
