package quantity

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"

	"muster/internal/event"
)

func numbers(t *testing.T, text string) (list []float64) {
	t.Helper()
	for _, f := range strings.Fields(text) {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, v)
	}
	return list
}

// source puts what a source gives at an interval, from a phase on, for a minute.
func source(kind Comparison, every, phase time.Duration, of func(d time.Duration) Step) Trace {
	var h History
	for d := phase; d < time.Minute; d += every {
		x := of(d)
		x.At = event.Time(1e18).Add(d)
		h.Put(x)
	}
	return h.Trace(kind)
}

// TestMotionCounts: positions of one boat agree however old the one is when the other comes, and an antenna 100 m off shows, at any speed,
// rate and phase, across the date line too.
func TestMotionCounts(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	for trial := range 200 {
		speed, course := 20*r.Float64(), 2*math.Pi*r.Float64()
		lat, lon := -60+120*r.Float64(), -180.0
		track := func(off float64) func(d time.Duration) Step {
			return func(d time.Duration) Step {
				north, east := speed*math.Cos(course)*d.Seconds()+off, speed*math.Sin(course)*d.Seconds()
				return Step{Value: lat + north/111_195, Longitude: math.Remainder(lon+east/111_195/math.Cos(lat*math.Pi/180), 360)}
			}
		}
		rates := []time.Duration{100 * time.Millisecond, time.Second, 3 * time.Second, 10 * time.Second}
		a := source(GreatCircle, rates[r.IntN(2)], time.Duration(r.IntN(1e9)), track(0))
		every := rates[r.IntN(4)]
		phase := time.Duration(r.Int64N(int64(every)))
		near, far := source(GreatCircle, every, phase, track(0)), source(GreatCircle, every, phase, track(100))
		if g := Agree(&a, &near, 30); !g.Comparable() || g.Apart(30) || g.Outside > 0 || g.Offset > 1 {
			t.Errorf("trial %d, %.0f m/s, every %s: %+v", trial, speed, every, g)
		}
		if g := Agree(&a, &far, 30); !g.Apart(30) || math.Abs(g.Offset-100) > 1 {
			t.Errorf("trial %d, 100 m off at %.0f m/s, every %s: %+v", trial, speed, every, g)
		}
	}
}

// TestNoiseRaisesDoubt: what differs by a little more than the limit is told of quiet sources, and not of ones so noisy that it may be
// chance; a single wild value tells nothing.
func TestNoiseRaisesDoubt(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	noisy := func(mean, noise float64) Trace {
		return source(Linear, time.Second, 0, func(time.Duration) Step { return Step{Value: mean + noise*r.NormFloat64()} })
	}
	quiet, off := noisy(10, 0.01), noisy(12.2, 0.01)
	if g := Agree(&quiet, &off, 2); !g.Apart(2) {
		t.Errorf("quiet: %+v", g)
	}
	for trial := range 200 {
		a, b := noisy(10, 2), noisy(12, 2)
		if g := Agree(&a, &b, 2); g.Apart(2) {
			t.Errorf("trial %d: no more apart than the limit, with noise of 2: %+v", trial, g)
		}
	}
	wild := noisy(10, 0.01)
	wild.Steps[len(wild.Steps)-2].Value = 1e6
	if g := Agree(&quiet, &wild, 2); g.Apart(2) || g.Outside != 1 {
		t.Errorf("one wild value: %+v", g)
	}
	turning := source(Circular, 500*time.Millisecond, 0, func(time.Duration) Step { return Step{Value: 2 * math.Pi * r.Float64()} })
	north := source(Circular, 500*time.Millisecond, 0, func(time.Duration) Step { return Step{Value: 6.2} })
	if g := Agree(&turning, &north, 0.17); !g.Apart(0.17) {
		t.Errorf("a direction all round: %+v", g)
	}
}

// TestNoiseIsMeasured: the noise of a source that follows a moving value is what was added, waves and a wild value or not.
func TestNoiseIsMeasured(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	for _, noise := range []float64{0.05, 0.5} {
		tr := source(Linear, 500*time.Millisecond, 0, func(d time.Duration) Step {
			return Step{Value: 20 + 0.2*d.Seconds() + noise*r.NormFloat64()}
		})
		tr.Steps[len(tr.Steps)-5].Value = 1e4
		if got := tr.Noise(); got < 0.6*noise || got > 1.6*noise {
			t.Errorf("noise %v, measured %v", noise, got)
		}
	}
}

// TestNothingIsSaidOfWhatDoesNotMeet: sources without common moments cannot be compared.
func TestNothingIsSaidOfWhatDoesNotMeet(t *testing.T) {
	a := source(Linear, time.Second, 0, func(time.Duration) Step { return Step{Value: 1} })
	b := source(Linear, time.Second, 500*time.Millisecond, func(time.Duration) Step { return Step{Value: 9} })
	late := Trace{Every: time.Second, Steps: []Step{{At: event.Time(2e18), Value: 9}, {At: event.Time(2e18).Add(time.Second), Value: 9}}}
	if g := Agree(&a, &late, 1); g.Comparable() || g.Apart(1) {
		t.Errorf("%+v", g)
	}
	gap := b
	gap.Steps = append(append([]Step{}, b.Steps[:5]...), b.Steps[len(b.Steps)-1])
	if g := Agree(&a, &gap, 1); g.Comparable() {
		t.Errorf("across a gap: %+v", g)
	}
	empty := Trace{}
	if g := Agree(&a, &empty, 1); g.Comparable() {
		t.Errorf("%+v", g)
	}
	if _, ok := empty.Middle(); ok || empty.Rate() != 0 || empty.Noise() != 0 {
		t.Error("figures of nothing")
	}
}

// TestHistoryIsBounded: a history holds the latest values in order, whatever comes, and a fast source costs no more than a slow one.
func TestHistoryIsBounded(t *testing.T) {
	var h History
	for i := range 100_000 {
		h.Put(Step{At: event.Time(1e18).Add(time.Duration(i) * 10 * time.Millisecond), Value: float64(i)})
	}
	tr := h.Trace(Linear)
	if len(tr.Steps) != maxTrace || tr.Every.Round(time.Millisecond) != 10*time.Millisecond || h.Last().Value != 99_999 {
		t.Errorf("%d steps, every %s", len(tr.Steps), tr.Every)
	}
	for i := 1; i < len(tr.Steps); i++ {
		if d := tr.Steps[i].At.Sub(tr.Steps[i-1].At); d < traceStep || d > traceStep+20*time.Millisecond {
			t.Fatalf("steps %s apart", d)
		}
	}
	h.Put(Step{At: event.Time(5e17), Value: 1}) // the clock was set back
	if tr := h.Trace(Linear); len(tr.Steps) != 1 || tr.Steps[0].Value != 1 {
		t.Errorf("%d steps after the clock was set back", len(tr.Steps))
	}
}

// TestNothingIsAllocated: once a series is there, a value and a comparison cost no memory.
func TestNothingIsAllocated(t *testing.T) {
	var a, b Series
	var e Echo
	now := event.Time(1e18)
	put := func() {
		now = now.Add(100 * time.Millisecond)
		a.Put(Step{At: now, Value: float64(now % 977)})
		b.Put(Step{At: now, Value: float64(now % 977)})
		if b.Due() {
			e.Look(&b, &a)
		}
	}
	for range 2000 {
		put()
	}
	x, y := a.Trace(), b.Trace()
	if n := testing.AllocsPerRun(1000, put); n != 0 {
		t.Errorf("%v allocations a value", n)
	}
	if n := testing.AllocsPerRun(100, func() {
		Agree(&x, &y, 1)
		Lag(&x, &y)
		x.Rate()
		x.Noise()
		x.Middle()
	}); n != 0 {
		t.Errorf("%v allocations a comparison", n)
	}
}

// BenchmarkPut is what one value costs.
func BenchmarkPut(b *testing.B) {
	var s Series
	now := event.Time(1e18)
	b.ReportAllocs()
	for b.Loop() {
		now = now.Add(100 * time.Millisecond)
		s.Put(Step{At: now, Value: float64(now % 977)})
	}
}

// BenchmarkCompare is what two sources cost each time that the checks run.
func BenchmarkCompare(b *testing.B) {
	r := rand.New(rand.NewPCG(9, 9))
	noisy := func() Trace {
		return source(Circular, 100*time.Millisecond, 0, func(time.Duration) Step { return Step{Value: 1 + 0.1*r.NormFloat64()} })
	}
	x, y := noisy(), noisy()
	b.ReportAllocs()
	for b.Loop() {
		Agree(&x, &y, 0.01)
	}
}

// TestDoubtOfAMedian: of a hundred values of deviation 1 the median is within its doubt, which is three times 0.125.
func TestDoubtOfAMedian(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 4))
	tr := Trace{Every: 100 * time.Millisecond}
	for i := range 100 {
		tr.Steps = append(tr.Steps, Step{At: event.Time(1e18).Add(time.Duration(i) * 100 * time.Millisecond), Value: 5 + rnd.NormFloat64()})
	}
	mid, _ := tr.Middle()
	if d := tr.Doubt(); math.Abs(d-0.376) > 0.1 || math.Abs(mid.Value-5) > d {
		t.Errorf("%v, in doubt by %v", mid.Value, d)
	}
	if d := (&Trace{}).Doubt(); d != 0 {
		t.Errorf("of nothing %v", d)
	}
}
