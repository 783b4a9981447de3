package quantity

import (
	"cmp"
	"math"
	"slices"
	"time"

	"muster/internal/event"
)

// Comparison is how two values are compared.
type Comparison uint8

// The comparisons.
const (
	Linear      Comparison = iota // the amount of the difference
	Circular                      // the smaller angle between the two, of directions in rad
	GreatCircle                   // the distance along the great circle in m, of positions in degrees
)

// Trace is what one source gave lately, in order of time. Every is the usual time between two of its values, and Grain their
// resolution; 0 where it is not known.
type Trace struct {
	Kind  Comparison
	Every time.Duration
	Grain float64
	Steps []Step
}

// Values are judged over a window, so that waves, gusts and single wrong values count for little; of a slow source it is longer.
const (
	leastWindow = 20 * time.Second
	windowOf    = 10 // intervals of the source
	sigma       = 1.4826
)

func (t *Trace) window() time.Duration { return max(leastWindow, windowOf*t.Every) }

// lately are the steps of the latest window, at most maxTrace.
func (t *Trace) lately() []Step {
	if len(t.Steps) == 0 {
		return nil
	}
	from := t.Steps[len(t.Steps)-1].At.Add(-t.window())
	i := max(0, len(t.Steps)-maxTrace)
	for t.Steps[i].At < from {
		i++
	}
	return t.Steps[i:]
}

// Middle is the median of the latest window, of directions the circular one; of positions, which move on, the latest.
func (t *Trace) Middle() (Step, bool) {
	steps := t.lately()
	if len(steps) == 0 {
		return Step{}, false
	}
	last := steps[len(steps)-1]
	if t.Kind != GreatCircle {
		var d [maxTrace]float64
		for i := range steps {
			d[i] = steps[i].Value
		}
		last.Value, _ = middle(t.Kind, d[:len(steps)])
	}
	return last, true
}

// Noise is the robust standard deviation of what neighbouring values do not foretell: of the residuals from the line between the
// value before and the one after, weighted for uneven times (Gasser, Sroka and Jennen-Steinmetz, Biometrika 73, 1986).
func (t *Trace) Noise() float64 {
	steps := t.lately()
	var d [maxTrace]float64
	n := 0
	for i := 1; i+1 < len(steps); i++ {
		whole, first := steps[i+1].At.Sub(steps[i-1].At), steps[i].At.Sub(steps[i-1].At)
		b := float64(first) / float64(whole)
		a := 1 - b
		over := between(t.Kind, &steps[i-1], &steps[i+1], b)
		north, east := apart(t.Kind, &over, &steps[i])
		d[n] = math.Hypot(north, east) / math.Sqrt(a*a+b*b+1)
		n++
	}
	return sigma * median(d[:n])
}

// Doubt is what Middle may be off because the values are noisy: three standard errors of a median.
func (t *Trace) Doubt() float64 { return medianDoubt(t.Noise(), len(t.lately())) }

// Rate is how fast the value changes in a second: the median slope of values half the window apart (Theil's incomplete
// method, 1950).
func (t *Trace) Rate() float64 {
	steps := t.lately()
	var d, e [maxTrace]float64
	half := len(steps) / 2
	for i := range half {
		a, b := &steps[i], &steps[i+half]
		north, east := apart(t.Kind, a, b)
		s := b.At.Sub(a.At).Seconds()
		d[i], e[i] = north/s, east/s
	}
	return math.Hypot(median(d[:half]), median(e[:half]))
}

// At is the value at a moment between two of the trace that are no further apart than is usual for it.
func (t *Trace) At(at event.Time) (Step, bool) {
	k, found := slices.BinarySearchFunc(t.Steps, at, func(s Step, at event.Time) int { return cmp.Compare(s.At, at) })
	switch {
	case found:
		return t.Steps[k], true
	case k == 0 || k == len(t.Steps):
		return Step{}, false
	}
	a, b := &t.Steps[k-1], &t.Steps[k]
	gap := b.At.Sub(a.At)
	if gap > max(3*t.Every, 4*traceStep) {
		return Step{}, false
	}
	return between(t.Kind, a, b, float64(at.Sub(a.At))/float64(gap)), true
}

// between is the value a share of the way from one to another.
func between(kind Comparison, a, b *Step, share float64) Step {
	d, east := b.Value-a.Value, 0.0
	switch kind {
	case Circular:
		d = math.Remainder(d, 2*math.Pi)
	case GreatCircle:
		east = math.Remainder(b.Longitude-a.Longitude, 360)
	}
	at := a.At.Add(time.Duration(share * float64(b.At.Sub(a.At))))
	return Step{At: at, Value: a.Value + share*d, Longitude: a.Longitude + share*east}
}

// apart is how far b is from a: in values, in rad within half a turn either way, or in m north and east along the great circle.
func apart(kind Comparison, a, b *Step) (north, east float64) {
	switch kind {
	case Circular:
		return math.Remainder(b.Value-a.Value, 2*math.Pi), 0
	case GreatCircle:
		return bearing(a, b)
	}
	return b.Value - a.Value, 0
}

// earthRadius is the mean radius of the WGS 84 ellipsoid in m. Distances on the sphere are within 0.56 % of those on the ellipsoid.
const earthRadius = 6371008.8

// Distance is the great-circle distance in m of two positions in degrees.
func Distance(lat1, lon1, lat2, lon2 float64) float64 {
	const rad = math.Pi / 180
	s, t := math.Sin((lat2-lat1)*rad/2), math.Sin((lon2-lon1)*rad/2)
	h := s*s + math.Cos(lat1*rad)*math.Cos(lat2*rad)*t*t
	return 2 * earthRadius * math.Asin(math.Sqrt(min(h, 1)))
}

// bearing is the great circle from a to b: its length, split by the direction in which it begins.
func bearing(a, b *Step) (north, east float64) {
	const rad = math.Pi / 180
	d := Distance(a.Value, a.Longitude, b.Value, b.Longitude)
	lat1, lat2, lon := a.Value*rad, b.Value*rad, (b.Longitude-a.Longitude)*rad
	y := math.Sin(lon) * math.Cos(lat2)
	s := math.Sin(lon / 2) // cos lat1 sin lat2 - sin lat1 cos lat2 cos lon, without loss where the two are near each other
	x := math.Sin(lat2-lat1) + 2*math.Sin(lat1)*math.Cos(lat2)*s*s
	if r := math.Hypot(x, y); r > 0 {
		return d * x / r, d * y / r
	}
	return d, 0
}
