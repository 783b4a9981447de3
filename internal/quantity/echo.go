package quantity

import (
	"time"
)

// Echo measures how far one series repeats another: each value of a copy was shown by its original before, by the
// same delay each time. Sensors of the same thing show like values, and a damped one is behind; neither repeats the
// other's values one by one.
type Echo struct {
	tried  int
	spread int             // slots over which the delay of a copy may vary
	hits   [lagSlots]uint8 // tries whose value the original had shown between this slot's delay and the spread after it
}

// Times of the search.
const (
	tryEvery = time.Second // one value of a series and second is looked for
	fadeAt   = 128         // tries at which the past is halved
	jitter   = 150 * time.Millisecond
	maxPace  = time.Second
)

// Due reports whether the latest value of s is to be sought in others: it has moved by more than the resolution since
// the last that was. Those that stay show nothing. It is to be called once for each value.
func (s *Series) Due() bool {
	if s.n == 0 || s.step(s.n-1).At != s.last.At {
		return false
	}
	gone := s.last.At.Sub(s.tried.At)
	if gone >= 0 && gone < tryEvery || s.apart(&s.last, &s.tried) <= 1.5*s.grain() {
		return false
	}
	s.tried = s.last
	return true
}

// Look seeks the latest value of s, which is due, among those that the other showed before.
func (e *Echo) Look(s, other *Series) {
	if other.n == 0 || s.last.At.Sub(other.last.At) > maxLag {
		return
	}
	if e.tried >= fadeAt {
		e.tried /= 2
		for i := range e.hits {
			e.hits[i] /= 2
		}
	}
	e.tried++
	// A copy may be rounded, and its original may be finer or coarser than it. Half the resolution is what rounding takes away.
	same := max(s.grain(), other.grain()) * 0.51
	e.spread = int((min(other.pace(), maxPace)+jitter)/lagStep) + 1
	from := lagSlots // each slot counts once
	for k := other.n - 1; k >= other.oldest(); k-- {
		x := other.step(k)
		lag := s.last.At.Sub(x.At)
		if lag > maxLag {
			break
		}
		if lag < 0 || s.apart(&s.last, x) > same {
			continue
		}
		slot := int(lag / lagStep)
		first := max(0, slot-e.spread+1)
		if from < lagSlots { // slots up to from are counted already
			first = max(first, from+1)
		}
		for i := first; i <= slot; i++ {
			e.hits[i]++
		}
		from = slot
	}
}

// Result is how many values were looked for, how many of them the other had shown at the one delay that fits best, and that delay.
func (e *Echo) Result() (tried, matched int, lag time.Duration) {
	first := 0
	for i, h := range e.hits {
		if h > e.hits[first] {
			first = i
		}
	}
	last := first
	for last+1 < lagSlots && e.hits[last+1] == e.hits[first] {
		last++
	}
	slot := last // what all of the best share begins there, and ends where the first of them ends
	if first > 0 {
		slot = max(last, (last+first+e.spread-1)/2)
	}
	return e.tried, int(e.hits[first]), time.Duration(slot) * lagStep
}
