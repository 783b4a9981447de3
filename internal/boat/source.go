package boat

import (
	"cmp"
	"slices"
	"time"

	"muster/internal/event"
	"muster/internal/quantity"
)

// Bounds of what is kept to compare sources.
const (
	maxSources = 16 // of one measure; the one unheard for longest makes room
)

// Source is one device or talker that gives a measure, with the latest value.
type Source struct {
	Measure   Measure
	ID        string // of the device, or network and letters of a talker
	Network   string
	Value     float64 // in the measure's own unit; the latitude of a position
	Longitude float64
	At        event.Time
	Trace     quantity.Trace // what it gave lately

	// FromMagnetic is set when the direction was measured from magnetic north, and made true by the variation.
	FromMagnetic bool
}

// Echo is how often one source repeated another's values at one delay.
type Echo struct {
	Measure  Measure
	From, To string // ids of the sources
	Tried    int    // changes of To that were looked for in From; the past fades
	Matched  int    // of which From had shown the same value, that long before
	Lag      time.Duration
}

// source holds the series of one device or talker.
type source struct {
	net    *network
	d      *device
	t      *talker
	series [measureCount]*series
	again  [measureCount]event.Time // when to ask for a slot again after none was free

	touched uint32 // the measures that the latest message gave values of, one bit each
}

func (s *source) id() string {
	if s.d != nil {
		return s.d.sender.ID
	}
	return s.net.info.ID + "/" + s.t.name
}

func (s *source) own() bool { return s.d != nil && s.d.sender.Own }

// series is one measure of one source.
type series struct {
	quantity.Series
	src      *source
	instance uint8                     // of the sensor, where a device has several
	magnetic bool                      // a direction from magnetic north, made true
	echoes   [maxSources]quantity.Echo // how far it repeats the series in the slot of the same number
}

// sourceBook holds the series of every measure, and the variation that makes magnetic directions true.
type sourceBook struct {
	slots       [measureCount][]*series
	variation   float64
	variationAt event.Time
	variationOf *source
}

// put takes a value of the source, which is finite.
func (s *source) put(m Measure, value, lon float64, at event.Time) {
	s.touched |= 1 << m
	if at == 0 {
		return
	}
	x := s.series[m]
	if x == nil {
		if at < s.again[m] {
			return
		}
		if x = s.net.boat.newSeries(s, m, at); x == nil {
			s.again[m] = at.Add(time.Minute)
			return
		}
	}
	x.Put(quantity.Step{At: at, Value: value, Longitude: lon})
	if m != ClockOffset && x.Due() {
		for i, other := range s.net.boat.sources.slots[m] {
			if other != x {
				x.echoes[i].Look(&x.Series, &other.Series)
			}
		}
	}
}

func newSeries(s *source, m Measure) *series {
	return &series{Series: quantity.Series{Kind: measures[m].Compare}, src: s}
}

// newSeries gives the source a slot for the measure; nil when all are taken by sources that still send.
func (b *Boat) newSeries(s *source, m Measure, at event.Time) *series {
	slots := b.sources.slots[m]
	if len(slots) < maxSources {
		x := newSeries(s, m)
		b.sources.slots[m] = append(slots, x)
		s.series[m] = x
		return x
	}
	i := 0
	for j, o := range slots {
		if o.Last().At < slots[i].Last().At {
			i = j
		}
	}
	if at.Sub(slots[i].Last().At) < b.opt.GoneAfter {
		return nil
	}
	x := slots[i]
	x.src.series[m] = nil
	*x = *newSeries(s, m)
	for _, o := range slots {
		o.echoes[i] = quantity.Echo{}
	}
	s.series[m] = x
	return x
}

// forget drops every value, as when the times that they came at turn out to be wrong. They come again.
func (b *sourceBook) forget() {
	b.variationOf = nil
	for m := range b.slots {
		for _, x := range b.slots[m] {
			x.src.series[m] = nil
			x.src.again = [measureCount]event.Time{}
		}
		b.slots[m] = nil
	}
}

// drop drops the values of one network.
func (b *sourceBook) drop(n *network) {
	if b.variationOf != nil && b.variationOf.net == n {
		b.variationOf = nil
	}
	for m, slots := range b.slots {
		for i := len(slots) - 1; i >= 0; i-- {
			if slots[i].src.net != n {
				continue
			}
			slots = slices.Delete(slots, i, i+1)
			for _, x := range slots {
				copy(x.echoes[i:], x.echoes[i+1:])
				x.echoes[maxSources-1] = quantity.Echo{}
			}
		}
		b.slots[m] = slots
	}
}

// reportSources lists which source gives what, and which repeats which.
func (b *Boat) reportSources(r *State) {
	for m := range measureCount {
		slots := b.sources.slots[m]
		from := len(r.Sources)
		for _, x := range slots {
			if x.src.own() {
				continue
			}
			r.Sources = append(r.Sources, Source{Measure: m, ID: x.src.id(), Network: x.src.net.info.ID,
				Value: x.Last().Value, Longitude: x.Last().Longitude, At: x.Last().At, FromMagnetic: x.magnetic, Trace: x.Trace()})
			for i := range slots {
				if tried, matched, lag := x.echoes[i].Result(); tried > 0 && !slots[i].src.own() {
					r.Echoes = append(r.Echoes, Echo{Measure: m, From: slots[i].src.id(), To: x.src.id(), Tried: tried, Matched: matched, Lag: lag})
				}
			}
		}
		slices.SortFunc(r.Sources[from:], func(a, b Source) int {
			return cmp.Or(cmp.Compare(a.Network, b.Network), cmp.Compare(a.ID, b.ID))
		})
	}
	slices.SortFunc(r.Echoes, func(a, b Echo) int {
		return cmp.Or(cmp.Compare(a.Measure, b.Measure), cmp.Compare(a.From, b.From), cmp.Compare(a.To, b.To))
	})
}
