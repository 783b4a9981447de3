package quantity

import (
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat"

	"muster/internal/event"
)

// TestMiddleAgreesWithGonum: the median of linear values and their median absolute deviation are gonum's, and where directions are spread
// evenly about a centre, their middle is gonum's circular mean, across north too.
func TestMiddleAgreesWithGonum(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for trial := range 300 {
		n := 3 + 2*r.IntN(50) // an odd number has one middle
		values := make([]float64, n)
		for i := range values {
			values[i] = 20 + 5*r.NormFloat64()
		}
		sorted := slices.Sorted(slices.Values(values))
		want := stat.Quantile(0.5, stat.Empirical, sorted, nil)
		off := make([]float64, n)
		for i, v := range values {
			off[i] = math.Abs(v - want)
		}
		slices.Sort(off)
		mid, spread := middle(Linear, slices.Clone(values))
		if mid != want || math.Abs(spread-1.4826*stat.Quantile(0.5, stat.Empirical, off, nil)) > 1e-12 {
			t.Errorf("trial %d: middle %v, spread %v; gonum %v", trial, mid, spread, want)
		}

		centre := 2 * math.Pi * r.Float64()
		angles := []float64{centre}
		for range n / 2 {
			d := 0.5 * r.Float64()
			angles = append(angles, centre+d, centre-d)
		}
		for i, a := range angles {
			angles[i] = math.Mod(a+2*math.Pi, 2*math.Pi)
		}
		mid, _ = middle(Circular, slices.Clone(angles))
		if d := Angle(mid, stat.CircularMean(angles, nil)); d > 1e-9 {
			t.Errorf("trial %d: %v, gonum's circular mean %v", trial, mid, stat.CircularMean(angles, nil))
		}
	}
}

// TestCircularMedianPublished: of directions that lie within half a turn, the middle is the median direction of N. I. Fisher (Statistical
// Analysis of Circular Data, 1993, 2.3.2): the one from which the mean of the angles to all others is the least.
func TestCircularMedianPublished(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	deviation := func(angles []float64, from float64) (sum float64) {
		for _, a := range angles {
			sum += Angle(a, from)
		}
		return sum / float64(len(angles))
	}
	for trial := range 200 {
		angles := make([]float64, 5+2*r.IntN(30))
		centre := 2 * math.Pi * r.Float64()
		for i := range angles {
			angles[i] = math.Mod(centre+0.4*r.ExpFloat64()*r.Float64()+4*math.Pi, 2*math.Pi) // skewed
		}
		mid, _ := middle(Circular, slices.Clone(angles))
		best := math.Inf(1)
		for k := range 3600 {
			best = min(best, deviation(angles, float64(k)*math.Pi/1800))
		}
		if got := deviation(angles, mid); got > best+1e-9 {
			t.Errorf("trial %d: mean angle %v from the middle, %v from the best direction", trial, got, best)
		}
	}
}

// TestRobustPublished: the worked examples of published texts.
func TestRobustPublished(t *testing.T) {
	// Median and median absolute deviation of 1, 1, 2, 2, 4, 6, 9 are 2 and 1 (the example of the encyclopedia article on the latter).
	if mid, spread := middle(Linear, []float64{1, 1, 2, 2, 4, 6, 9}); mid != 2 || math.Abs(spread-1.4826) > 1e-12 {
		t.Errorf("%v, %v", mid, spread)
	}
	// The mean of 355, 5 and 15 degrees is 5 degrees, not 125 (the example of the encyclopedia article on the circular mean).
	deg := func(list ...float64) (rad []float64) {
		for _, d := range list {
			rad = append(rad, d*math.Pi/180)
		}
		return rad
	}
	if mid, _ := middle(Circular, deg(355, 5, 15)); math.Abs(mid*180/math.Pi-5) > 1e-9 {
		t.Errorf("%v degrees", mid*180/math.Pi)
	}
	// The slope of a straight line with one wild value is that of the line (Theil 1950; a third of the values may be wild).
	var line Trace
	for i := range 41 {
		line.Steps = append(line.Steps, Step{At: event.Time(i) * event.Time(time.Second) / 2, Value: 3 + 0.25*float64(i)/2})
	}
	line.Steps[7].Value = 400
	if got := line.Rate(); math.Abs(got-0.25) > 1e-9 {
		t.Errorf("slope %v", got)
	}
}

// TestAgainstPython: median, median absolute deviation, circular mean, slope and correlation are those of python's own arithmetic, written
// there by the published formulas.
func TestAgainstPython(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatal("python3 is not installed")
		}
		t.Skip("python3 is not installed")
	}
	cmd := exec.Command(python, "testdata/robust.py")
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) != 60 {
		t.Fatalf("%d trials", len(lines))
	}
	for i, line := range lines {
		fields := strings.Split(line, ";")
		x, y := numbers(t, fields[0]), numbers(t, fields[1])
		want := numbers(t, fields[2])
		mid, spread := middle(Linear, slices.Clone(x))
		angle, _ := middle(Circular, slices.Clone(y[:3]))
		var tr Trace
		for k, v := range x {
			tr.Steps = append(tr.Steps, Step{At: event.Time(k) * event.Time(200*time.Millisecond), Value: v})
		}
		got := []float64{mid, spread, math.Abs(tr.Rate()), correlate(x, y), angle, tr.Noise()}
		for k := range want {
			if d := math.Abs(got[k] - want[k]); d > 1e-9 && !(k == 4 && math.Abs(d-2*math.Pi) < 1e-9) {
				t.Errorf("trial %d, figure %d: %v, python %v", i, k, got[k], want[k])
			}
		}
	}
}

// TestLagAgreesWithCorrelation: the delay of one series behind another is where gonum finds the greatest correlation of the two, also
// where one is damped or noisy, and there is none of what does not move.
func TestLagAgreesWithCorrelation(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	for trial := range 60 {
		truth := boatTruth(r)
		lag := time.Duration(r.IntN(17)-8) * lagGrid
		var a, b History
		const step = lagGrid
		var x, y []float64
		for d := 10 * time.Second; d < 69*time.Second; d += step {
			v, w := truth(d)+0.02*r.NormFloat64(), truth(d-lag)+0.02*r.NormFloat64()
			x, y = append(x, v), append(y, w)
			a.Put(Step{At: event.Time(d), Value: v})
			b.Put(Step{At: event.Time(d), Value: w})
		}
		best, at := math.Inf(-1), 0
		for k := -lagReach; k <= lagReach; k++ {
			p, q := x[max(0, -k):len(x)-max(0, k)], y[max(0, k):len(y)-max(0, -k)]
			if c := stat.Correlation(p, q, nil); c > best {
				best, at = c, k
			}
		}
		ta, tb := a.Trace(Linear), b.Trace(Linear)
		got, like := Lag(&ta, &tb)
		want := time.Duration(at) * lagGrid
		if (got-want).Abs() > 2*lagGrid || like < 0.8 {
			t.Errorf("trial %d: lag %s at %.2f, by gonum's correlation %s at %.2f, true %s", trial, got, like, want, best, lag)
		}
	}
	var still History
	for i := range 100 {
		still.Put(Step{At: event.Time(i+1) * event.Time(time.Second), Value: 6.1})
	}
	tr := still.Trace(Linear)
	if lag, like := Lag(&tr, &tr); lag != 0 || like != 0 {
		t.Errorf("of what does not move: %s at %v", lag, like)
	}
}

// TestCorrelationAgreesWithGonum: without their steady changes, the correlation of two series is gonum's of the residuals of its regression.
func TestCorrelationAgreesWithGonum(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	for trial := range 100 {
		n := 20 + r.IntN(80)
		at, x, y := make([]float64, n), make([]float64, n), make([]float64, n)
		for i := range x {
			common := r.NormFloat64()
			at[i], x[i], y[i] = float64(i), common+0.3*float64(i)+0.5*r.NormFloat64(), common-0.1*float64(i)+0.5*r.NormFloat64()
		}
		rest := func(v []float64) []float64 {
			alpha, beta := stat.LinearRegression(at, v, nil, false)
			out := make([]float64, n)
			for i := range v {
				out[i] = v[i] - alpha - beta*at[i]
			}
			return out
		}
		if got, want := correlate(x, y), stat.Correlation(rest(x), rest(y), nil); math.Abs(got-want) > 1e-9 {
			t.Errorf("trial %d: %v, gonum %v", trial, got, want)
		}
	}
}
