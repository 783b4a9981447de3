package quantity

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"muster/internal/event"
)

// sensor is an honest source: the truth, damped, with noise of its own and an offset, rounded, at its own rate and phase.
type sensor struct {
	every, phase time.Duration
	damping      time.Duration
	noise        float64
	offset       float64
	grain        float64
}

// boatTruth is a value that a moving boat has: waves and slow changes of random size.
func boatTruth(r *rand.Rand) func(time.Duration) float64 {
	var a, w, p [5]float64
	for i := range a {
		a[i], w[i], p[i] = math.Exp(r.NormFloat64()), math.Exp(-0.5-float64(i)+0.5*r.NormFloat64()), 2*math.Pi*r.Float64()
	}
	return func(d time.Duration) float64 {
		v := 20.0
		for i := range a {
			v += a[i] * math.Sin(w[i]*d.Seconds()+p[i])
		}
		return v
	}
}

type reading struct {
	at time.Duration
	v  float64
}

func (s sensor) run(r *rand.Rand, truth func(time.Duration) float64, length time.Duration) []reading {
	var out []reading
	const step = 20 * time.Millisecond
	state := truth(0)
	next := s.phase
	for d := time.Duration(0); d < length; d += step {
		if s.damping > 0 {
			state += (truth(d) - state) * min(1, float64(step)/float64(s.damping))
		} else {
			state = truth(d)
		}
		if d >= next {
			next += s.every
			out = append(out, reading{d, math.Round((state+s.offset+s.noise*r.NormFloat64())/s.grain) * s.grain})
		}
	}
	return out
}

// copyOf is a gateway that sends on, at its own pace, the latest value that reached it.
func copyOf(of []reading, every, delay time.Duration, grain float64) []reading {
	var out []reading
	next := time.Duration(0)
	k := 0
	for at := of[0].at; at < of[len(of)-1].at; at += 10 * time.Millisecond {
		for k+1 < len(of) && of[k+1].at <= at {
			k++
		}
		if at >= next {
			next = at + every
			out = append(out, reading{at + delay, math.Round(of[k].v/grain) * grain})
		}
	}
	return out
}

// echoes feeds two series in the order of time, and gives how far each repeats the other.
func echoes(a, b []reading) (ab, ba Echo) {
	var x, y Series
	i, k := 0, 0
	for i < len(a) || k < len(b) {
		if k >= len(b) || i < len(a) && a[i].at <= b[k].at {
			x.Put(Step{At: event.Time(1e18).Add(a[i].at), Value: a[i].v})
			if i++; x.Due() {
				ba.Look(&x, &y)
			}
		} else {
			y.Put(Step{At: event.Time(1e18).Add(b[k].at), Value: b[k].v})
			if k++; y.Due() {
				ab.Look(&y, &x)
			}
		}
	}
	return ab, ba
}

// repeats is what the caller takes for a copy: nearly each value at one delay, and not so the other way round.
func repeats(e, back Echo) bool {
	tried, matched, _ := e.Result()
	backTried, backMatched, _ := back.Result()
	return tried >= 20 && matched*10 >= tried*9 && backMatched*2 <= backTried
}

var rates = []time.Duration{100 * time.Millisecond, 200 * time.Millisecond, 500 * time.Millisecond, time.Second}

// TestHonestSensors: two sensors of one thing never pass as a copy, whatever their damping, noise, rate and
// resolution.
func TestHonestSensors(t *testing.T) {
	false_, judged := 0, 0
	for seed := range uint64(500) {
		r := rand.New(rand.NewPCG(seed, 1))
		truth := boatTruth(r)
		random := func() sensor {
			grain := []float64{0.005, 0.01, 0.1}[r.IntN(3)]
			s := sensor{every: rates[r.IntN(len(rates))], grain: grain, noise: grain * math.Exp(1.2*r.NormFloat64()),
				phase: time.Duration(r.IntN(1000)) * time.Millisecond, offset: grain * 10 * r.NormFloat64()}
			if r.IntN(3) > 0 {
				s.damping = time.Duration(100+r.IntN(6000)) * time.Millisecond
			}
			if r.IntN(3) == 0 {
				s.offset = 0
			}
			return s
		}
		a, b := random(), random()
		ab, ba := echoes(a.run(r, truth, 3*time.Minute), b.run(r, truth, 3*time.Minute))
		if tried, _, _ := ab.Result(); tried >= 20 {
			judged++
		}
		if repeats(ab, ba) || repeats(ba, ab) {
			false_++
			t.Logf("seed %d: %+v %+v: %s %s", seed, a, b, show(ab), show(ba))
		}
	}
	t.Logf("%d of %d false", false_, judged)
	if false_ > 0 || judged < 400 {
		t.Errorf("%d of %d pairs of honest sensors look like a copy", false_, judged)
	}
}

func show(e Echo) string {
	tried, matched, lag := e.Result()
	return fmt.Sprintf("%d/%d at %v", matched, tried, lag)
}

// TestCopies: a copy through a gateway is seen: rounded, thinned, delayed by up to 5 s.
func TestCopies(t *testing.T) {
	missed, judged := 0, 0
	for seed := range uint64(400) {
		r := rand.New(rand.NewPCG(seed, 2))
		grain := []float64{0.005, 0.01, 0.1}[r.IntN(3)]
		s := sensor{every: rates[r.IntN(len(rates))], grain: grain, noise: grain * math.Exp(0.5+0.8*r.NormFloat64()), damping: time.Duration(r.IntN(2000)) * time.Millisecond}
		of := s.run(r, boatTruth(r), 3*time.Minute)
		every := max(s.every, rates[r.IntN(len(rates))])
		delay := time.Duration(100+r.IntN(4000)) * time.Millisecond
		to := grain * []float64{1, 1, 2, 10}[r.IntN(4)]
		ab, ba := echoes(of, copyOf(of, every, delay, to))
		tried, _, lag := ab.Result()
		if tried < 20 {
			continue
		}
		judged++
		if !repeats(ab, ba) || (lag-delay).Abs() > s.every+every+300*time.Millisecond {
			missed++
			t.Logf("seed %d: %+v every %v delay %v to %v: %s %s", seed, s, every, delay, to, show(ab), show(ba))
		}
	}
	t.Logf("%d of %d missed", missed, judged)
	if missed*100 > judged*2 || judged < 350 {
		t.Errorf("%d of %d copies missed", missed, judged)
	}
}
