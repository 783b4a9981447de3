package nmea0183

import (
	"time"

	"muster/internal/event"
)

// Pace of the queries (common practice, no source): equipment answers some seconds late, and an old one may need all
// its time for one query.
const (
	askFirst  = 5 * time.Second  // after the first sentence of a talker
	askAgain  = time.Minute      // between two queries to one talker
	askTries  = 3                // queries to a talker that does not answer
	askHeard  = 10 * time.Second // a talker that has been silent for this long is not asked
	maxAsked  = 64               // talkers
	askTalker = "II"             // integrated instrumentation: the letters that the queries carry as their sender's
)

// AskPause is the time between two queries on one line, and how long an answer may take.
const AskPause = 5 * time.Second

// Asker asks the talkers of one two-way line for their VER sentence, in the standard's way. The zero value is ready.
type Asker struct {
	talkers []asked
	last    event.Time // query
}

type asked struct {
	letters      [2]byte
	first, heard event.Time
	at           event.Time // last query
	tries        int
	identified   bool
}

// Hear takes a sentence of the line, received at t.
func (a *Asker) Hear(s *Sentence, t event.Time) {
	if s.Checksum != ChecksumGood || s.Address.Proprietary() || s.Address.Query() || t == 0 {
		return
	}
	var letters [2]byte
	copy(letters[:], s.Talker())
	var x *asked
	for i := range a.talkers {
		if a.talkers[i].letters == letters {
			x = &a.talkers[i]
		}
	}
	if x == nil {
		if len(a.talkers) >= maxAsked {
			return
		}
		a.talkers = append(a.talkers, asked{letters: letters, first: t})
		x = &a.talkers[len(a.talkers)-1]
	}
	x.heard = t
	if string(s.Formatter()) == "VER" {
		x.identified = true
	}
}

// Append appends the query that is due at t to dst, a whole sentence, or nothing.
func (a *Asker) Append(dst []byte, t event.Time) []byte {
	if a.last != 0 && t.Sub(a.last) < AskPause {
		return dst
	}
	for i := range a.talkers {
		x := &a.talkers[i]
		if x.identified || x.tries >= askTries || t.Sub(x.first) < askFirst || t.Sub(x.heard) > askHeard ||
			x.at != 0 && t.Sub(x.at) < askAgain {
			continue
		}
		x.at, a.last = t, t
		x.tries++
		return AppendQuery(dst, askTalker, string(x.letters[:]), "VER")
	}
	return dst
}

// Unanswered reports whether equipment that was asked that many times, last at the given moment, counts at t as not
// answering.
func Unanswered(queries int, last, t event.Time) bool {
	return queries >= askTries && t.Sub(last) >= AskPause
}

// AsksVersion reports whether s asks another talker for its VER sentence, and the letters of that talker, which alias
// s.
func AsksVersion(s *Sentence) (letters []byte, ok bool) {
	if !s.Address.Query() || s.Checksum != ChecksumGood || string(s.Field(0)) != "VER" {
		return nil, false
	}
	return s.Address[2:4], true
}
