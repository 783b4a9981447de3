package quantity

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat"

	"muster/internal/event"
)

// TestLagAgreesWithCorrelation: the delay of a copy is where gonum finds the greatest correlation of the two.
func TestLagAgreesWithCorrelation(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	for trial := range 40 {
		lag := time.Duration(2+r.IntN(45)) * lagStep
		truth := boatTruth(r)
		original := sensor{every: 100 * time.Millisecond, grain: 0.001, noise: 0.01}.run(r, truth, 2*time.Minute)
		var a, b Series
		var e Echo
		back := int(lag / (100 * time.Millisecond))
		for i, x := range original {
			a.Put(Step{At: event.Time(time.Minute + x.at), Value: x.v})
			if i < back {
				continue
			}
			b.Put(Step{At: event.Time(time.Minute + x.at), Value: original[i-back].v})
			if b.Due() {
				e.Look(&b, &a)
			}
		}
		values := make([]float64, len(original))
		for i, x := range original {
			values[i] = x.v
		}
		best, at := math.Inf(-1), 0
		for k := range 51 {
			from := max(k, back)
			copied := values[from-back : len(values)-back]
			if c := stat.Correlation(values[from-k:len(values)-k], copied, nil); c > best {
				best, at = c, k
			}
		}
		_, matched, got := e.Result()
		if want := time.Duration(at) * 100 * time.Millisecond; matched < 20 || (got-want).Abs() > 2*lagStep {
			t.Errorf("trial %d: lag %s of %d values, by correlation %s", trial, got, matched, want)
		}
	}
}
