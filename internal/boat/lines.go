package boat

import (
	"cmp"
	"slices"

	"muster/internal/event"
	"muster/internal/nmea0183"
)

// lineTable counts the talkers of one NMEA 0183 line.
type lineTable struct {
	sentences map[nmea0183.Address]*sentence
	talkers   map[string]*talker
	parsed    nmea0183.Sentence
	quality   nmea0183.Quality
	readings  []nmea0183.Reading
}

type sentence struct {
	spans
	talker    *talker
	formatter string
	measured  bool   // its values are read
	bad       uint64 // checksum errors
	latest    []byte // the sentence as last received, up to maxLatest
	gives     []given
}

// given is a quantity that a sentence may carry, and when it last had a value of it.
type given struct {
	name    string
	carried []nmea0183.Quantity // nil: each sentence of the type has it
	heard   bool
	at      event.Time
}

// gave notes a value; of a type whose values are not read, QuantityNone represents the sentence.
func (s *sentence) gave(value nmea0183.Quantity, at event.Time) {
	for i := range s.gives {
		if g := &s.gives[i]; slices.Contains(g.carried, value) || g.carried == nil && value == nmea0183.QuantityNone {
			g.heard, g.at = true, at
		}
	}
}

// giving lists the quantities that the sentence still gives.
func (s *sentence) giving(now event.Time) (names []string) {
	for i := range s.gives {
		if g := &s.gives[i]; g.heard && now.Sub(g.at) <= StillSent {
			names = append(names, g.name)
		}
	}
	return names
}

// maxLatest is how much of a sentence is kept: the standard allows 82 characters, some equipment sends more.
const maxLatest = 160

// lineBits is what a character takes on a serial line: start, eight data, stop.
const lineBits = 10

// line takes one raw line, which may hold more than one sentence.
func (n *network) line(ev *event.Event) {
	if ev.Sent {
		n.sent(ev)
		return
	}
	n.frames++
	n.bits += uint64(len(ev.Line)+2) * lineBits
	p := &n.talkers.parsed
	whole := 0
	garbled := false
	for rest := ev.Line; rest != nil; {
		var err error
		rest, err = nmea0183.Parse(rest, p)
		if err != nil {
			reason, ok := err.(nmea0183.Reason)
			garbled = garbled || ok && reason.Garbled()
			continue
		}
		garbled = garbled || p.Noise > 0
		if p.Checksum != nmea0183.ChecksumBad {
			whole++
		}
		n.sentence(p, ev.Time)
		n.hand(p, ev)
	}
	if garbled {
		n.faults.GarbledLines++
	}
	n.talkers.quality.Add(ev.Line, whole)
}

// sent takes a line of our own, which is no traffic of the line's talkers.
func (n *network) sent(ev *event.Event) {
	if _, err := nmea0183.Parse(ev.Line, &n.talkers.parsed); err == nil {
		n.query(&n.talkers.parsed, ev.Time)
		n.hand(&n.talkers.parsed, ev)
	}
}

// hand gives a sentence to who asked for them.
func (n *network) hand(p *nmea0183.Sentence, ev *event.Event) {
	if n.boat.opt.OnSentence != nil {
		n.boat.opt.OnSentence(p, Line{n.info.ID, ev.Time, ev.Sent})
	}
}

// query notes that a talker is asked who it is, by us or by others.
func (n *network) query(p *nmea0183.Sentence, at event.Time) {
	letters, ok := nmea0183.AsksVersion(p)
	if !ok {
		return
	}
	if t := n.talkers.talkers[string(letters)]; t != nil {
		t.queries++
		t.queried = at
	}
}

// lineState is the state of an NMEA 0183 line.
func (n *network) lineState() (s LineState) {
	v := n.talkers.quality.Verdict(n.info.BitRate)
	if v.Condition != nmea0183.ConditionUnknown {
		s.Condition, s.LikelyBaud = v.Condition.String(), v.Baud
	}
	return s
}

// sentence counts one. A damaged one may have a damaged address, so it introduces no talker.
func (n *network) sentence(p *nmea0183.Sentence, t event.Time) {
	s := n.talkers.sentences[p.Address]
	switch p.Checksum {
	case nmea0183.ChecksumBad:
		n.faults.ChecksumErrors++
		if s != nil {
			s.bad++
		}
		return
	case nmea0183.ChecksumMissing:
		n.faults.UncheckedLines++
	}
	if s == nil {
		if s = n.newSentence(p.Address, t); s == nil {
			n.faults.Untracked++
			return
		}
	}
	n.query(p, t)
	s.add(t)
	s.latest = append(s.latest[:0], p.Raw[:min(len(p.Raw), maxLatest)]...)
	s.talker.heard(t)
	if s.measured {
		n.measureSentence(s, p, t)
	} else {
		s.gave(nmea0183.QuantityNone, t)
		s.talker.addIdentity(s.formatter, p, t)
	}
}

func (n *network) newSentence(a nmea0183.Address, at event.Time) *sentence {
	l := &n.talkers
	if l.sentences == nil {
		l.sentences, l.talkers = map[nmea0183.Address]*sentence{}, map[string]*talker{}
	}
	name := a.Talker()
	t := l.talkers[name]
	if t == nil {
		if len(l.talkers) >= n.boat.opt.MaxTalkers {
			return nil
		}
		t = &talker{name: name}
		if p := n.boat.past[pastKey{n.info.ID, n.info.ID + "/" + name}]; p != nil {
			t.software, t.unit, t.since, t.past = slices.Clone(p.Software), p.Unit, p.FirstSeen, p
			t.back = !p.On || at.Sub(n.start) > comeBack
		}
		l.talkers[name] = t
	}
	if t.sentences >= n.boat.opt.MaxSentences {
		return nil
	}
	t.sentences++
	s := &sentence{talker: t, formatter: a.Formatter()}
	s.measured = len(nmea0183.Carries(s.formatter)) > 0
	for _, q := range Quantities() {
		if q.SentIn(s.formatter) {
			g := given{name: q.Name, carried: q.carried}
			if q.formatter != "" {
				g.carried = nil
			}
			s.gives = append(s.gives, g)
		}
	}
	l.sentences[a] = s
	return s
}

// reportTalkers adds the network's talkers, by name, each with its sentences, by formatter.
func (n *network) reportTalkers(list []Talker, now event.Time) []Talker {
	sorted := make([]*sentence, 0, len(n.talkers.sentences))
	for _, s := range n.talkers.sentences {
		sorted = append(sorted, s)
	}
	slices.SortFunc(sorted, func(a, b *sentence) int {
		return cmp.Or(cmp.Compare(a.talker.name, b.talker.name), cmp.Compare(a.formatter, b.formatter))
	})
	for i, s := range sorted {
		if i == 0 || sorted[i-1].talker != s.talker {
			list = append(list, s.talker.report(n.info.ID, now))
		}
		t := &list[len(list)-1]
		e := Sentence{Formatter: s.formatter, Count: s.count, ChecksumErrors: s.bad, Last: s.last, Recent: s.recent, Latest: string(s.latest),
			Nominal: nmea0183.Nominal(s.formatter), Gives: s.giving(now)}
		if s.n > 0 {
			in := s.interval()
			e.Interval = &in
		}
		t.Sentences = append(t.Sentences, e)
	}
	return list
}
