package boat

import (
	"math"
	"time"

	"muster/internal/event"
)

// spans describes the intervals of a repeated thing. Sums are taken of each interval's distance from the first one, so that they
// stay exact over long runs and no message costs a division.
type spans struct {
	count       uint64 // messages
	n           uint64 // intervals: fewer than count-1 where stamps were missing or went back
	first, last event.Time
	base        int64 // first interval, ns
	low, high   int64
	sum, square float64       // of (interval-base) in ns
	recent      time.Duration // smoothed, outages held in check
}

// add counts one message at t.
func (s *spans) add(t event.Time) {
	s.count++
	if t == 0 {
		return
	}
	if s.first == 0 {
		s.first, s.last = t, t
		return
	}
	d := int64(t - s.last)
	s.last = t
	if d < 0 {
		return
	}
	if s.n == 0 {
		s.base, s.low, s.high, s.recent = d, d, d, time.Duration(d)
		s.n = 1
		return
	}
	s.n++
	if d < s.low {
		s.low = d
	}
	if d > s.high {
		s.high = d
	}
	x := float64(d - s.base)
	s.sum += x
	s.square += x * x
	// An outage must not pass for a slow rate: one interval counts for no more than four usual ones and a second.
	r := int64(s.recent)
	s.recent = time.Duration(r + (min(d, 4*r+int64(time.Second))-r)>>3)
}

// moments returns mean and standard deviation in ns.
func (s *spans) moments() (mean, sd float64) {
	n := float64(s.n)
	mean = s.sum / n
	sd = math.Sqrt(max(s.square/n-mean*mean, 0))
	return mean + float64(s.base), sd
}

// merge adds what other counted of the same thing; the interval between the two is left out.
func (s *spans) merge(other *spans) {
	if other.n > 0 {
		if s.n == 0 {
			s.base, s.low, s.high, s.sum, s.square, s.recent = other.base, other.low, other.high, other.sum, other.square, other.recent
		} else {
			shift := float64(other.base - s.base) // x' = x + shift
			n := float64(other.n)
			s.square += other.square + 2*shift*other.sum + n*shift*shift
			s.sum += other.sum + n*shift
			s.low, s.high = min(s.low, other.low), max(s.high, other.high)
		}
		s.n += other.n
	}
	s.count += other.count
	if other.first != 0 && (s.first == 0 || other.first < s.first) {
		s.first = other.first
	}
	s.last = max(s.last, other.last)
}

// interval is the report's form; there must be an interval.
func (s *spans) interval() Interval {
	mean, sd := s.moments()
	return Interval{Mean: millis(mean), Min: millis(float64(s.low)), Max: millis(float64(s.high)), SD: millis(sd)}
}

// millis turns ns into ms, rounded to the microsecond.
func millis(ns float64) float64 { return math.Round(ns/1e3) / 1e3 }
