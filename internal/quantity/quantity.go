// Package quantity holds what several sources measure alike, as series on one clock, and computes how they agree. It
// holds series and nothing of devices: what a value represents, and which sent it, is for the caller. Nothing here
// reads a clock, and what is done for each value allocates nothing.
package quantity

import (
	"math"
	"time"
)

// Bounds of what is kept.
const (
	maxLag   = 5 * time.Second // the longest delay of a copy that is looked for
	maxSteps = 128             // latest changes of one series
	lagStep  = 100 * time.Millisecond
	lagSlots = int(maxLag/lagStep) + 1
)

// Series is the history of one source, and its latest changes. The zero Series is ready for use.
type Series struct {
	Kind Comparison
	History

	steps [maxSteps]Step
	n     int // changes ever seen
	tried Step
	least [2]float64 // the smallest change of this half of the ring and of the one before; 0 for none
}

// Trace copies what the source gave lately.
func (s *Series) Trace() Trace {
	t := s.History.Trace(s.Kind)
	t.Grain = s.grain()
	return t
}

// Put takes the next value.
func (s *Series) Put(x Step) {
	s.History.Put(x)
	if s.n > 0 {
		d := s.apart(&x, s.step(s.n-1))
		if d == 0 {
			return
		}
		if s.n%(maxSteps/2) == 0 {
			s.least = [2]float64{0, s.least[0]}
		}
		if s.least[0] == 0 || d < s.least[0] {
			s.least[0] = d
		}
	}
	s.steps[s.n%maxSteps] = x
	s.n++
}

func (s *Series) step(k int) *Step { return &s.steps[k%maxSteps] }

// oldest is the number of the oldest change that is kept.
func (s *Series) oldest() int { return max(0, s.n-maxSteps) }

// apart is how far two values differ. What is less than rounding in the conversion of units leaves is nothing.
func (s *Series) apart(a, b *Step) float64 {
	d := math.Abs(a.Value - b.Value)
	if s.Kind == Circular {
		d = Angle(a.Value, b.Value)
	}
	d = max(d, math.Abs(a.Longitude-b.Longitude))
	if d <= 1e-9*max(1, math.Abs(a.Value)) {
		return 0
	}
	return d
}

// Angle is the smaller angle between two directions in rad.
func Angle(a, b float64) float64 {
	d := math.Abs(a - b)
	if d <= math.Pi {
		return d
	}
	return math.Abs(math.Remainder(d, 2*math.Pi))
}

// grain is the resolution of the source: the smallest change that it showed lately. It is 0 before there are two changes.
func (s *Series) grain() float64 {
	if s.least[0] == 0 || s.least[1] == 0 {
		return max(s.least[0], s.least[1])
	}
	return min(s.least[0], s.least[1])
}

// pace is the usual time between two changes.
func (s *Series) pace() time.Duration {
	first, n := s.oldest(), s.n-s.oldest()-1
	if n < 1 {
		return maxLag
	}
	return s.step(s.n-1).At.Sub(s.step(first).At) / time.Duration(n)
}
