package boat

import (
	"encoding/binary"
	"slices"

	"muster/internal/event"
	"muster/pgn"
)

// sharing finds from a counter that goes up by one with every message whether two senders use one address: two
// counters then run side by side, in turn. No counter of one sender looks so, unless it counts something else too. It
// finds nothing where the two counters differ by less than two, where the rates differ much, and nothing of senders
// whose counter runs over several messages.
type sharing struct {
	latest, other uint8 // the two counters, the one received last first
	heard         uint8 // how many of them were received
	counts        bool  // one of them went up
	turns         uint8 // how often the other one went on; half of them are forgotten when neither does
	since, last   event.Time
}

// Turns that show a second sender; common practice, no source.
const (
	sharedTurns = 16
	maxTurns    = 64
)

// hear takes the next value of a counter that wraps at size. expected is true when another way of counting explains
// the value.
func (s *sharing) hear(value, size uint8, expected bool, t event.Time) {
	next := func(v uint8) bool { return (uint16(v)+1)%uint16(size) == uint16(value) }
	switch {
	case s.heard > 0 && next(s.latest):
		s.latest, s.counts = value, true
	case s.heard == 2 && value != s.latest && next(s.other) && !expected:
		if s.turns == 0 {
			s.since = t
		}
		s.latest, s.other, s.last, s.counts = value, s.latest, t, true
		s.turns = min(s.turns+1, maxTurns)
	default:
		s.latest, s.other, s.heard = value, s.latest, min(s.heard+1, 2)
		s.turns /= 2
	}
}

// sidPlace is where single frames of a message carry a sequence number, and which of their bits say what they are about:
// each of that may have numbers of its own. The zero value is of messages without one.
type sidPlace struct {
	numbered bool
	at       uint8  // byte
	codes    uint64 // bits of every code
}

func sidOf(def *pgn.Definition) (p sidPlace) {
	f := def.Field("sid")
	if f == nil || def.Transport != pgn.Single || f.Bit < 0 || f.Bit%8 != 0 || f.Width != 8 {
		return p
	}
	p = sidPlace{numbered: true, at: uint8(f.Bit / 8)}
	for i := range def.Fields {
		if f := &def.Fields[i]; f.Type == pgn.Enum && f.Bit >= 0 && f.Bit+f.Width <= 64 {
			p.codes |= (1<<f.Width - 1) << f.Bit
		}
	}
	return p
}

// numbered takes the sequence number of a single frame, if it is about the same as the first one. One number over all
// messages of a device explains a step by what else it sent.
func (s *stream) numbered(d *device, data []byte, t event.Time) {
	if len(data) < 8 || data[s.sid.at] > lastSequence {
		return
	}
	const size = lastSequence + 1
	d.singles++
	codes := binary.LittleEndian.Uint64(data) & s.sid.codes
	if s.sharing.heard == 0 {
		s.codes = codes
	}
	if codes != s.codes {
		return
	}
	number := data[s.sid.at]
	step := (uint32(number) + size - uint32(s.sharing.latest)) % size
	s.sharing.hear(number, size, step == (d.singles-s.sent)%size, t)
	s.sent = d.singles
}

// Sharing is what shows that a second device sends from the address of a device.
type Sharing struct {
	Messages    []uint32 // PGNs of which two counters run side by side
	Doubled     []uint32 // PGNs that come twice as often as from one sender, in turn from two
	With        string   // of those, the device that claimed the address too; "" when none did and two clocks show
	Serials     []string // that the device reported in turn
	Since, Last event.Time
}

// shows takes one more stretch in which a second sender showed.
func (s *Sharing) shows(since, last event.Time) *Sharing {
	if s == nil {
		return &Sharing{Since: since, Last: last}
	}
	s.Since, s.Last = min(s.Since, since), max(s.Last, last)
	return s
}

func (s *Sharing) add(number uint32, c *sharing) *Sharing {
	if c.turns < sharedTurns {
		return s
	}
	s = s.shows(c.since, c.last)
	if !slices.Contains(s.Messages, number) {
		s.Messages = append(s.Messages, number)
	}
	return s
}

// shared is what shows that a second device sends from the address of this one, nil when nothing does, and whether the
// device counts any of its messages.
func (d *device) shared() (s *Sharing, counts bool) {
	for _, st := range d.streams {
		s, counts = s.add(st.pgn, &st.sharing), counts || st.sharing.counts
		switch w := st.doubled; {
		case w == nil:
		case w.turns >= sharedTurns && d.twoSenders():
			s = s.shows(w.since, w.at[0])
			s.Doubled, s.With = append(s.Doubled, st.pgn), d.loser.sender.ID
		case w.slide.pair > 0 && !d.forwards():
			s = s.shows(w.slide.since, w.slide.last)
			s.Doubled = append(s.Doubled, st.pgn)
		}
	}
	if i := &d.identity; i.returns >= sharedReturns && d.duplicateSince == 0 {
		s = s.shows(i.returned, i.before[len(i.before)-1].Until)
		s.Serials = []string{i.before[len(i.before)-1].Serial, i.product.Serial}
	}
	if d.beat != nil {
		s, counts = s.add(pgnHeartbeat, &d.beat.sharing), counts || d.beat.sharing.counts
	}
	return s, counts
}

// counted takes the sequence counter of a fast packet. One counter over all messages of a device explains a step by what else it sent.
func (s *stream) counted(d *device, sequence uint8, t event.Time) {
	d.fast++
	step := uint8(d.fast - s.sent)
	s.sent = d.fast
	if s.def != nil { // of others it is not known what in them has a counter of its own
		s.sharing.hear(sequence, 8, (sequence-s.sharing.latest)&7 == step&7, t)
	}
}
