package boat

import (
	"cmp"
	"slices"
	"strings"
	"unicode/utf8"

	"muster/internal/event"
	"muster/internal/nmea0183"
)

// lineTable counts the talkers of one NMEA 0183 line.
type lineTable struct {
	sentences map[nmea0183.Address]*sentence
	talkers   map[string]*talker
	parsed    nmea0183.Sentence
}

// talker is one talker; sentences of one are counted under their address.
type talker struct {
	sentences int
	identity  *TalkerIdentity
}

type sentence struct {
	spans
	talker    *talker
	name      string // of the talker
	formatter string
	bad       uint64 // checksum errors
}

// lineBits is what a character takes on a serial line: start, eight data, stop.
const lineBits = 10

// line takes one raw line, which may hold more than one sentence.
func (n *network) line(ev *event.Event) {
	n.frames++
	n.bits += uint64(len(ev.Line)+2) * lineBits
	for rest := ev.Line; rest != nil; {
		var err error
		rest, err = nmea0183.Parse(rest, &n.talkers.parsed)
		if err != nil {
			if reason, ok := err.(nmea0183.Reason); ok && reason.Garbled() {
				n.faults.GarbledLines++
			}
			continue
		}
		n.sentence(&n.talkers.parsed, ev.Time)
	}
}

// sentence counts one. A damaged one may have a damaged address, so it introduces nobody.
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
		if s = n.newSentence(p.Address); s == nil {
			n.faults.Untracked++
			return
		}
	}
	s.add(t)
	if s.formatter == "VER" {
		s.talker.introduce(p)
	}
}

func (n *network) newSentence(a nmea0183.Address) *sentence {
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
		t = &talker{}
		l.talkers[name] = t
	}
	if t.sentences >= n.boat.opt.MaxSentences {
		return nil
	}
	t.sentences++
	s := &sentence{talker: t, name: name, formatter: a.Formatter()}
	l.sentences[a] = s
	return s
}

// introduce reads a VER sentence: total, number, device type, vendor, unique id, serial, model, software, hardware (Furuno manuals).
// Long answers come in several sentences, so an empty field leaves what is known.
func (t *talker) introduce(p *nmea0183.Sentence) {
	if t.identity == nil {
		t.identity = &TalkerIdentity{}
	}
	i := t.identity
	for at, to := range [...]*string{&i.DeviceType, &i.Vendor, &i.UniqueID, &i.Serial, &i.Model, &i.Software, &i.Hardware} {
		if f := p.Field(at + 2); len(f) > 0 && string(f) != *to {
			*to = printable(string(f))
		}
	}
}

// printable replaces what does not print.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if r == utf8.RuneError || r < ' ' || r == 0x7F {
			return '?'
		}
		return r
	}, s)
}

// reportTalkers adds the network's talkers, by name, each with its sentences, by formatter.
func (n *network) reportTalkers(list []Talker) []Talker {
	sorted := make([]*sentence, 0, len(n.talkers.sentences))
	for _, s := range n.talkers.sentences {
		sorted = append(sorted, s)
	}
	slices.SortFunc(sorted, func(a, b *sentence) int {
		return cmp.Or(cmp.Compare(a.name, b.name), cmp.Compare(a.formatter, b.formatter))
	})
	for i, s := range sorted {
		if i == 0 || sorted[i-1].name != s.name {
			t := Talker{Network: n.info.ID, Talker: s.name}
			if id := s.talker.identity; id != nil && *id != (TalkerIdentity{}) {
				c := *id
				t.Identity = &c
			}
			list = append(list, t)
		}
		t := &list[len(list)-1]
		e := Sentence{Formatter: s.formatter, Count: s.count, ChecksumErrors: s.bad}
		if s.n > 0 {
			in := s.interval()
			e.Interval = &in
		}
		t.Sentences = append(t.Sentences, e)
	}
	return list
}
