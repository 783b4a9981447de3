package locate

import (
	"math"
	"slices"
)

// belief is the probability of each of several candidates. It sums to 1.
type belief []float64

// believe makes probabilities of weights.
func believe(weights []float64) belief {
	b, sum := make(belief, len(weights)), 0.0
	for _, w := range weights {
		sum += w
	}
	for i, w := range weights {
		b[i] = w / sum
	}
	return b
}

// after is the belief when something was seen that each candidate gives a likelihood.
func (b belief) after(likelihood []float64) belief {
	w := make([]float64, len(b))
	for i := range b {
		w[i] = b[i] * likelihood[i]
	}
	return believe(w)
}

// entropy is what is not known, in bits.
func (b belief) entropy() float64 {
	h := 0.0
	for _, p := range b {
		if p > 0 {
			h -= p * math.Log2(p)
		}
	}
	return h
}

// A trial is a test as the candidates predict it: the probability of each outcome under each candidate.
type trial [][]float64

// chance is the probability of each outcome.
func (t trial) chance(b belief) []float64 {
	out := make([]float64, len(t))
	for k := range t {
		for i, p := range b {
			out[k] += p * t[k][i]
		}
	}
	return out
}

// gain is how many bits the test is expected to tell of which group the candidate is in. of is the group of each candidate, from 0.
func (t trial) gain(b belief, of []int) float64 {
	groups := 0
	for _, g := range of {
		groups = max(groups, g+1)
	}
	mass := make([]float64, groups)
	for i, p := range b {
		mass[of[i]] += p
	}
	bits := belief(t.chance(b)).entropy()
	joint := make([]float64, groups)
	for k := range t {
		clear(joint)
		for i, p := range b {
			joint[of[i]] += p * t[k][i]
		}
		for g, p := range joint {
			if p > 0 {
				bits += p * math.Log2(p/mass[g])
			}
		}
	}
	return max(0, bits)
}

// inspection is the order in which to look at parts of which one is at fault, so that the expected time is least: by probability for each
// minute (Kadane and Simon).
func inspection(p, minutes []float64) []int {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch d := p[b]/minutes[b] - p[a]/minutes[a]; {
		case d > 0:
			return 1
		case d < 0:
			return -1
		}
		return 0
	})
	return order
}

// expectedMinutes is the mean time until the faulty part is found when they are looked at in an order.
func expectedMinutes(order []int, p, minutes []float64) float64 {
	sum, left := 0.0, 1.0
	for _, i := range order {
		sum += left * minutes[i]
		left -= p[i]
	}
	return sum
}
