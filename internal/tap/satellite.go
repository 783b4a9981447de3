package tap

import (
	"bytes"
	"math"

	"muster/internal/event"
	"muster/internal/nmea0183"
)

// BySatellites gives the NMEA 0183 lines of a capture that has no times the time that a talker on their line last
// sent, to the millisecond. The first talker of a line that sends date and time is its clock. What comes before, and
// a capture with times, is left as it is.
func BySatellites(src Recorded) Recorded { return &bySatellites{Recorded: src} }

type bySatellites struct {
	Recorded
	lines    []lineClock // by network
	sentence nmea0183.Sentence
	readings []nmea0183.Reading
}

// lineClock is the clock of one line.
type lineClock struct {
	needed bool   // the line has no times of its own
	talker string // whose time it is
	now    event.Time
}

// Read implements Source.
func (s *bySatellites) Read(events []event.Event) (int, error) {
	n, err := s.Recorded.Read(events)
	for i := range events[:n] {
		if e := &events[i]; e.Time == 0 || e.Kind == event.KindNetwork {
			s.stamp(e)
		}
	}
	return n, err
}

func (s *bySatellites) stamp(e *event.Event) {
	if e.Kind == event.KindNetwork && e.Info != nil && e.Info.Unstamped && e.Info.Kind == event.NMEA0183 {
		for len(s.lines) <= int(e.Network) {
			s.lines = append(s.lines, lineClock{})
		}
		s.lines[e.Network].needed = true
		return
	}
	if e.Time != 0 || int(e.Network) >= len(s.lines) || !s.lines[e.Network].needed {
		return
	}
	c := &s.lines[e.Network]
	if e.Kind == event.KindLine && (bytes.Contains(e.Line, rmc) || bytes.Contains(e.Line, zda)) {
		s.hear(c, e.Line)
	}
	e.Time = c.now
}

// The sentences that hold date and time.
var rmc, zda = []byte("RMC,"), []byte("ZDA,")

// hear sets the clock by a line. A time before the one that was sent last is a fault of the receiver.
func (s *bySatellites) hear(c *lineClock, line []byte) {
	for rest := line; rest != nil; {
		var err error
		if rest, err = nmea0183.Parse(rest, &s.sentence); err != nil || s.sentence.Checksum != nmea0183.ChecksumGood {
			continue
		}
		if c.talker != "" && c.talker != string(s.sentence.Talker()) {
			continue
		}
		s.readings, _ = nmea0183.Read(&s.sentence, s.readings[:0])
		for i := range s.readings {
			r := &s.readings[i]
			t := event.Time(math.Round(r.Value*1e3)) * 1e6 // they are no finer than milliseconds
			if r.Quantity == nmea0183.Time && r.Available && t > c.now {
				c.talker, c.now = string(s.sentence.Talker()), t
			}
		}
	}
}
