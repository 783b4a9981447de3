package quantity

import (
	"time"

	"muster/internal/event"
)

// Step is a value at a moment. Longitude is used by positions alone.
type Step struct {
	At               event.Time
	Value, Longitude float64
}

// Bounds of a history: of a fast source, its values of the last minute at two a second.
const (
	maxTrace  = 120
	traceStep = 500 * time.Millisecond
)

// History is the latest value of one source, and what it gave lately in order of time, thinned. The zero History is ready for use.
type History struct {
	last  Step
	trace [maxTrace]Step
	kept  int
	every time.Duration // smoothed; an outage must not pass for a slow rate
}

// Last is the latest value.
func (h *History) Last() Step { return h.last }

// Put takes the next value. When time went back, what came before is forgotten.
func (h *History) Put(x Step) {
	if h.last.At != 0 {
		switch d := x.At.Sub(h.last.At); {
		case d < 0:
			h.kept = 0
		case h.every == 0:
			h.every = d
		default:
			h.every += (min(d, 4*h.every+time.Second) - h.every) >> 3
		}
	}
	h.last = x
	if h.kept == 0 || x.At.Sub(h.trace[(h.kept-1)%maxTrace].At) >= traceStep {
		h.trace[h.kept%maxTrace] = x
		h.kept++
	}
}

// Trace copies what the source gave lately.
func (h *History) Trace(kind Comparison) Trace {
	n := min(h.kept, maxTrace)
	steps := make([]Step, 0, n)
	for k := h.kept - n; k < h.kept; k++ {
		steps = append(steps, h.trace[k%maxTrace])
	}
	return Trace{Kind: kind, Every: h.every, Steps: steps}
}
