package node

import (
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
)

// Under high bus load asking takes less of the bus, and above fullLoad nothing: requests wait until the bus has room.
const (
	easyLoad = 0.5
	fullLoad = 0.8
)

// room is the part of the usual share that asking may take at a load of the bus.
func room(load float64) float64 { return min(max((fullLoad-load)/(fullLoad-easyLoad), 0), 1) }

// traffic measures the load that others make, second by second.
type traffic struct {
	began event.Time // of the present second
	bits  float64
	load  float64 // of the second before
}

// add counts a frame. ok is true when a second is over; load is then the bus load in it.
func (t *traffic) add(now event.Time, f *can.Frame, bitRate uint32) (load float64, ok bool) {
	const overhead = 76 // of a frame of extended format with its pause and the usual stuffing, beside 8 bits a byte
	span := now.Sub(t.began)
	switch {
	case t.began == 0 || span < 0 || span > 2*time.Second:
		*t = traffic{began: now}
	case span >= time.Second:
		load, ok = t.bits/span.Seconds()/float64(bitRate), true
		*t = traffic{began: now, load: load}
	}
	t.bits += float64(overhead + 8*int(f.Length))
	return load, ok
}

// full reports whether the bus has no room for asking just now. A bus that fell silent has.
func (t *traffic) full(now event.Time) bool {
	return t.load >= fullLoad && now.Sub(t.began) <= 2*time.Second
}
