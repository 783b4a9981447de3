package boat

import (
	"cmp"
	"math"
	"slices"
	"time"

	"muster/internal/event"
)

// Bounds of what is kept to compare sources.
const (
	maxSources = 16 // of one measure; the one unheard for longest makes room
	maxSteps   = 64 // latest changes of one source's value
)

// Source is one device or talker that gives a measure, with the latest value.
type Source struct {
	Measure   Measure
	ID        string // of the device, or network and letters of a talker
	Network   string
	Value     float64 // in the measure's own unit; the latitude of a position
	Longitude float64
	At        event.Time
}

// Echo tells how often changes of one source's value were seen a little earlier in another's.
type Echo struct {
	Measure  Measure
	From, To string        // ids of the sources
	Tried    int           // changes of To that were looked for in From; the past fades
	Matched  int           // of which From had shown the same value within maxLag
	Lag      time.Duration // mean over those that matched
}

// Times of the search for echoes.
const (
	maxLag   = 5 * time.Second // the longest way round that is looked for
	tryEvery = time.Second     // one change per source and second is looked for
	fadeAt   = 128             // tries at which the past is halved
)

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
	src      *source
	instance uint8 // of the sensor, where a device has several
	last     step  // latest value
	steps    [maxSteps]step
	n        int  // steps ever taken
	tried    step // the change that was last looked for
	links    [maxSources]link
}

type step struct {
	at         event.Time
	value, lon float64
}

// link is how far the series repeats the one in the slot of the same number.
type link struct {
	tried, matched int
	lag            time.Duration // sum over matched
}

// sourceBook holds the series of every measure, and the variation that makes magnetic directions true.
type sourceBook struct {
	slots       [measureCount][]*series
	variation   float64
	variationAt event.Time
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
	x.last = step{at, value, lon}
	info := &measures[m]
	if info.same == 0 || x.n > 0 && info.near(&x.last, &x.steps[(x.n-1)%maxSteps], 1) {
		return
	}
	x.steps[x.n%maxSteps] = x.last
	x.n++
	if at.Sub(x.tried.at) >= tryEvery && !info.near(&x.last, &x.tried, 4) || at < x.tried.at {
		x.tried = x.last
		if len(s.net.boat.sources.slots[m]) > 1 {
			s.net.boat.sources.look(m, x)
		}
	}
}

// near reports whether two values are the same but for rounding, times a factor.
func (i *MeasureInfo) near(a, b *step, factor float64) bool {
	limit := i.same * factor
	if math.Abs(a.value-b.value) <= limit {
		return i.Compare != GreatCircle || math.Abs(a.lon-b.lon) <= limit
	}
	return i.Compare == Circular && circular(a.value, b.value) <= limit
}

// newSeries gives the source a slot for the measure; nil when all are taken by sources that still speak.
func (b *Boat) newSeries(s *source, m Measure, at event.Time) *series {
	slots := b.sources.slots[m]
	if len(slots) < maxSources {
		x := &series{src: s}
		b.sources.slots[m] = append(slots, x)
		s.series[m] = x
		return x
	}
	i := 0
	for j, o := range slots {
		if o.last.at < slots[i].last.at {
			i = j
		}
	}
	if at.Sub(slots[i].last.at) < b.opt.GoneAfter {
		return nil
	}
	x := slots[i]
	x.src.series[m] = nil
	*x = series{src: s}
	for _, o := range slots {
		o.links[i] = link{}
	}
	s.series[m] = x
	return x
}

// forget drops every value, as when the times that they came at turn out to be wrong. They come anew.
func (b *sourceBook) forget() {
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
	for m, slots := range b.slots {
		for i := len(slots) - 1; i >= 0; i-- {
			if slots[i].src.net != n {
				continue
			}
			slots = slices.Delete(slots, i, i+1)
			for _, x := range slots {
				copy(x.links[i:], x.links[i+1:])
				x.links[maxSources-1] = link{}
			}
		}
		b.slots[m] = slots
	}
}

// look seeks the latest change of x in what the others showed before.
func (b *sourceBook) look(m Measure, x *series) {
	info := &measures[m]
	for i, y := range b.slots[m] {
		if y == x || y.n == 0 || x.last.at.Sub(y.last.at) > maxLag {
			continue
		}
		l := &x.links[i]
		if l.tried >= fadeAt {
			l.tried, l.matched, l.lag = l.tried/2, l.matched/2, l.lag/2
		}
		l.tried++
		for k := y.n - 1; k >= max(0, y.n-maxSteps); k-- {
			s := &y.steps[k%maxSteps]
			lag := x.last.at.Sub(s.at)
			if lag > maxLag {
				break
			}
			if lag >= 0 && info.near(&x.last, s, 1) {
				l.matched++
				l.lag += lag
				break
			}
		}
	}
}

// reportSources lists who gives what, and who repeats whom.
func (b *Boat) reportSources(r *State) {
	for m := range measureCount {
		slots := b.sources.slots[m]
		from := len(r.Sources)
		for _, x := range slots {
			if x.src.own() {
				continue
			}
			r.Sources = append(r.Sources, Source{Measure: m, ID: x.src.id(), Network: x.src.net.info.ID,
				Value: x.last.value, Longitude: x.last.lon, At: x.last.at})
			for i := range slots {
				if l := &x.links[i]; l.tried > 0 && !slots[i].src.own() {
					r.Echoes = append(r.Echoes, Echo{Measure: m, From: slots[i].src.id(), To: x.src.id(), Tried: l.tried,
						Matched: l.matched, Lag: l.lag / time.Duration(max(l.matched, 1))})
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
