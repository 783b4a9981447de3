package quantity

import (
	"math"
	"slices"
	"time"
)

// Agreement is how two sources of one thing compare at the instants that both cover.
type Agreement struct {
	Instants int
	Outside  int     // of which the two were further apart than the limit
	Offset   float64 // amount of the median difference: in values, rad or m; where none is beyond the limit, the greatest
	Spread   float64 // robust standard deviation of a difference about it; 0 where none is beyond the limit
}

// few are the instants that a comparison takes at least.
const few = 3

// Comparable reports whether there are enough instants to say something.
func (g *Agreement) Comparable() bool { return g.Instants >= few }

// Doubt is what the median difference may be off because the sources are noisy: three standard errors of a median.
func (g *Agreement) Doubt() float64 {
	return medianDoubt(g.Spread, g.Instants)
}

// medianDoubt is three standard errors of the median of n values of a standard deviation; 0 for none.
func medianDoubt(deviation float64, n int) float64 {
	if n == 0 {
		return 0
	}
	return 3 * 1.2533 * deviation / math.Sqrt(float64(n))
}

// Apart reports whether two sources differ by more than the limit at which they were compared: their median difference does by more than
// its doubt, or hardly an instant is within it, as with a source that wanders.
func (g *Agreement) Apart(limit float64) bool {
	return g.Comparable() && (g.Offset > limit+g.Doubt() || g.Instants >= 10 && 10*g.Outside >= 9*g.Instants)
}

// Agree compares two traces over the latest window of the slower one, at the moments of its values: the other is interpolated, so that
// neither the age of a value nor the motion of the boat counts.
func Agree(a, b *Trace, limit float64) (g Agreement) {
	if b.Every > a.Every {
		a, b = b, a
	}
	var north, east [maxTrace]float64
	most := 0.0
	for _, x := range a.lately() {
		y, ok := b.At(x.At)
		if !ok {
			continue
		}
		d, e := apart(a.Kind, &y, &x)
		r := math.Abs(d)
		if e != 0 {
			r = math.Hypot(d, e)
		}
		if r > limit {
			g.Outside++
		}
		most = max(most, r)
		north[g.Instants], east[g.Instants] = d, e
		g.Instants++
	}
	d, e := north[:g.Instants], east[:g.Instants]
	if g.Outside == 0 {
		g.Offset = most
		return g
	}
	if a.Kind != GreatCircle {
		var mid float64
		mid, g.Spread = middle(a.Kind, d)
		g.Offset = math.Abs(mid)
		return g
	}
	n, s := middle(Linear, d)
	w, z := middle(Linear, e)
	g.Offset, g.Spread = math.Hypot(n, w), math.Hypot(s, z)
	return g
}

// middle is the median of values and their robust standard deviation about it (1.4826 times the median absolute deviation). Of angles it is
// the median of their deviations from the circular mean, which is put back. It sorts the values.
func middle(kind Comparison, values []float64) (mid, spread float64) {
	mean := 0.0
	if kind == Circular {
		var x, y float64
		for _, v := range values {
			x, y = x+math.Cos(v), y+math.Sin(v)
		}
		mean = math.Atan2(y, x)
		for i := range values {
			values[i] = math.Remainder(values[i]-mean, 2*math.Pi)
		}
	}
	m := median(values)
	for i := range values {
		values[i] = math.Abs(values[i] - m)
	}
	mid, spread = mean+m, sigma*median(values)
	if kind == Circular {
		mid = math.Remainder(mid, 2*math.Pi)
	}
	return mid, spread
}

// median sorts the values; of none it is 0.
func median(values []float64) float64 {
	slices.Sort(values)
	switch n := len(values); {
	case n == 0:
		return 0
	case n%2 == 1:
		return values[n/2]
	default:
		return (values[n/2-1] + values[n/2]) / 2
	}
}

// Bounds of the search for a lag.
const (
	lagGrid  = 250 * time.Millisecond
	lagReach = int(maxLag / lagGrid)
	lagLeast = 20 // values on the grid
)

// Lag is how far b is behind a, and the greatest correlation of the two, which is there: that of what both show beside a steady
// change. It is 0 where nothing can be said: of positions, of slow sources, and of those that hardly overlap.
func Lag(a, b *Trace) (lag time.Duration, correlation float64) {
	if a.Kind == GreatCircle || len(a.Steps) == 0 || len(b.Steps) == 0 || max(a.Every, b.Every) > 2*time.Second {
		return 0, 0
	}
	var x, y [maxTrace * int(traceStep/lagGrid)]float64
	from := max(a.Steps[0].At, b.Steps[0].At)
	n := 0
	for ; n < len(x); n++ {
		at := from.Add(time.Duration(n) * lagGrid)
		p, ok := a.At(at)
		q, too := b.At(at)
		if !ok || !too {
			break
		}
		x[n], y[n] = p.Value, q.Value
		if n > 0 && a.Kind == Circular { // turns go on
			x[n] = x[n-1] + math.Remainder(x[n]-x[n-1], 2*math.Pi)
			y[n] = y[n-1] + math.Remainder(y[n]-y[n-1], 2*math.Pi)
		}
	}
	if n < lagLeast+lagReach {
		return 0, 0
	}
	var at [2*lagReach + 1]float64
	best := 0
	for k := range at {
		shift := k - lagReach // b is so many behind
		p, q := x[max(0, -shift):n-max(0, shift)], y[max(0, shift):n-max(0, -shift)]
		if at[k] = correlate(p, q); at[k] > at[best] {
			best = k
		}
	}
	if at[best] <= 0 {
		return 0, 0
	}
	peak := float64(best - lagReach)
	if best > 0 && best+1 < len(at) { // the top of the parabola through the greatest and its neighbours
		if bend := at[best-1] - 2*at[best] + at[best+1]; bend < 0 {
			peak += (at[best-1] - at[best+1]) / 2 / bend
		}
	}
	return time.Duration(peak * float64(lagGrid)), at[best]
}

// correlate is Pearson's correlation of what is left of two series of one length without their steady changes.
func correlate(x, y []float64) float64 {
	n := float64(len(x))
	var sx, sy, sxx, syy, sxy, tx, ty, tt float64
	for i := range x {
		t := float64(i) - (n-1)/2
		sx, sy = sx+x[i], sy+y[i]
		tx, ty, tt = tx+t*x[i], ty+t*y[i], tt+t*t
	}
	mx, my, bx, by := sx/n, sy/n, tx/tt, ty/tt
	for i := range x {
		t := float64(i) - (n-1)/2
		p, q := x[i]-mx-bx*t, y[i]-my-by*t
		sxx, syy, sxy = sxx+p*p, syy+q*q, sxy+p*q
	}
	still := func(sum, mean float64) bool { return sum <= n*1e-18*max(1, mean*mean) } // what rounding leaves is no change
	if still(sxx, mx) || still(syy, my) {
		return 0
	}
	return sxy / math.Sqrt(sxx*syy)
}
