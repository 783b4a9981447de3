package boat

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"muster/internal/event"
)

// plain computes what spans should give for the intervals, in ns.
func plain(d []float64) (mean, sd float64) {
	for _, x := range d {
		mean += x / float64(len(d))
	}
	for _, x := range d {
		sd += (x - mean) * (x - mean) / float64(len(d))
	}
	return mean, math.Sqrt(sd)
}

func near(a, b float64) bool { return math.Abs(a-b) <= 1e-6*max(1, math.Abs(a), math.Abs(b)) }

func TestSpansAgainstPlainSums(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) (s spans, all []float64) {
			now := epoch
			s.add(now)
			for _, d := range rapid.SliceOfN(rapid.Int64Range(0, int64(time.Hour)), 0, 50).Draw(t, name) {
				now = now.Add(time.Duration(d))
				s.add(now)
				all = append(all, float64(d))
			}
			return s, all
		}
		check := func(s *spans, all []float64) {
			if s.n != uint64(len(all)) {
				t.Fatalf("%d intervals of %d", s.n, len(all))
			}
			if s.n == 0 {
				return
			}
			mean, sd := s.moments()
			wantMean, wantSD := plain(all)
			if !near(mean, wantMean) || math.Abs(sd-wantSD) > 1e-4*wantMean+1 {
				t.Fatalf("mean %v sd %v, want %v %v", mean, sd, wantMean, wantSD)
			}
		}
		a, inA := draw("a")
		b, inB := draw("b")
		check(&a, inA)
		check(&b, inB)
		a.merge(&b)
		check(&a, append(inA, inB...))
	})
}

func TestSpansWithoutAnInterval(t *testing.T) {
	var s spans
	for _, at := range []event.Time{0, epoch, 0, epoch.Add(-time.Second), 0} {
		s.add(at)
	}
	if s.count != 5 || s.n != 0 {
		t.Errorf("%d messages, %d intervals", s.count, s.n)
	}
}

func TestAnOutageIsNoSlowRate(t *testing.T) {
	var s spans
	now := epoch
	for range 100 {
		s.add(now)
		now = now.Add(100 * time.Millisecond)
	}
	s.add(now.Add(time.Hour))
	if s.recent > 300*time.Millisecond {
		t.Errorf("usual interval %v after an hour's outage", s.recent)
	}
}
