package quantity

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat"

	"muster/internal/event"
)

// TestMeanAgreesWithGonum: the mean of a swinging direction is gonum's circular mean under the same weights, across north too, and that of a
// linear value is its weighted mean.
func TestMeanAgreesWithGonum(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for _, circular := range []bool{false, true} {
		for trial := range 200 {
			s := Series{Circular: circular, Smooth: 5 * time.Second}
			centre := 2 * math.Pi * r.Float64()
			var values, weights []float64
			for at := time.Second; at < 2*time.Minute; at += time.Duration(100+r.IntN(900)) * time.Millisecond {
				v := centre + 0.15*r.NormFloat64()
				if circular {
					v = math.Mod(v+2*math.Pi, 2*math.Pi)
				}
				keep := 1.0
				if dt := float64(event.Time(at).Sub(s.last.At)); s.last.At != 0 {
					keep = 1 - dt/(dt+float64(s.Smooth))
				}
				for i := range weights {
					weights[i] *= keep
				}
				values, weights = append(values, v), append(weights, 1-keep)
				if len(weights) == 1 {
					weights[0] = 1
				}
				s.Put(Step{At: event.Time(at), Value: v})
			}
			want := stat.Mean(values, weights)
			if circular {
				want = stat.CircularMean(values, weights)
			}
			if d := math.Abs(math.Remainder(s.Value()-want, 2*math.Pi)); circular && d > 0.003 || !circular && d > 1e-9 {
				t.Errorf("circular %v, trial %d: mean %.6f, gonum %.6f", circular, trial, s.Value(), want)
			}
		}
	}
}

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
