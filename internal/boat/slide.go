package boat

import (
	"time"

	"muster/internal/event"
)

// slide finds in a message whether two clocks send it in turn. What one device sends twice keeps its place in the
// interval; of two devices the one slides along the other, by what their oscillators differ. A place that jumps shows
// nothing.
type slide struct {
	whole        time.Duration // from a message to the one after the next
	turns        uint8
	odd          bool          // the next message is of the other one
	place, first float32       // of the even messages after the odd ones, smoothed, as a share of the whole; as first known
	pair         time.Duration // the whole of two clocks, once the place slid; 0 before
	since, last  event.Time
}

// Bounds of what shows two clocks; common practice, no source.
const (
	placeJump  = .125        // between two messages, which no clock does
	placeSlide = .25         // to which neither jitter nor work brings one clock
	placeShare = 1. / 16     // by which a message moves the smoothed place
	apartAgain = time.Minute // after which two clocks have to show anew
)

// hear takes a message that came a gap after the latest, and whole after the one before that.
func (s *slide) hear(gap, whole time.Duration, t event.Time) {
	inTime := (whole - s.whole).Abs() <= s.whole/aloneShare
	if s.whole += (whole - s.whole) / aloneShare; s.turns == 0 && !inTime {
		s.whole = whole
	}
	s.odd = !s.odd
	if !inTime || whole <= 0 {
		s.turns -= min(s.turns, outOfTurn)
		return
	}
	place := float32(gap) / float32(whole)
	if s.odd {
		place = 1 - place
	}
	moved := place - s.place
	if s.turns == 0 || max(moved, -moved) > placeJump {
		s.turns, s.place, moved = 0, place, 0
		if t.Sub(s.last) > apartAgain || (whole-s.pair).Abs() > s.pair/aloneShare {
			s.pair = 0
		}
	}
	s.turns = min(s.turns+1, maxTurns)
	s.place += moved * placeShare
	switch slid := s.place - s.first; {
	case s.turns < sharedTurns:
	case s.pair > 0:
		s.last = t
	case s.turns == sharedTurns:
		s.first, s.since = s.place, t
	case max(slid, -slid) > placeSlide:
		s.pair, s.last = s.whole, t
	}
}
