package api

import (
	"maps"
	"slices"
	"sync"

	"muster/internal/event"
	"muster/internal/nmea0183"
	"muster/pgn"
)

// recent keeps the latest of one kind of traffic, raw and decoded.
type recent[S any] struct {
	keep uint64 // so many

	mu   sync.Mutex
	kept []raw  // made with the first
	next uint64 // number of the next one; the first is 1

	reading sync.Mutex
	taken   []raw // made for the first reader: a copy of kept up to the number upTo, for the readers
	decoded []*S  // those of taken that were read; immutable
	upTo    uint64
	decode  func(*raw) *S // called while reading is held
}

// raw is a message or a sentence as received.
type raw struct {
	number  uint64
	time    event.Time
	network string
	data    []byte // a payload; a sentence with the tag blocks before it

	id     pgn.ID // of a message
	to     uint8
	device string

	address  nmea0183.Address // of a sentence
	checksum nmea0183.Checksum
	sent     bool
}

func newRecent[S any](keep int, decode func(*raw) *S) recent[S] {
	return recent[S]{keep: uint64(keep), next: 1, upTo: 1, decode: decode}
}

// add makes room for the next one, whose old data may be written over. mu must be held.
func (g *recent[S]) add() *raw {
	if g.kept == nil {
		g.kept = make([]raw, g.keep)
	}
	r := &g.kept[g.next%g.keep]
	r.number = g.next
	g.next++
	return r
}

// latest is the number of the latest, 0 before the first.
func (g *recent[S]) latest() uint64 {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.next - 1
}

// since lists what has a number above after, see Traffic.Since.
func (g *recent[S]) since(after uint64, wants func(*raw) bool, most int) (list []*S, seen, lost uint64) {
	g.reading.Lock()
	defer g.reading.Unlock()
	from, lost := g.catchUp(after)
	for n := g.upTo; n > from && (most == 0 || len(list) < most); n-- {
		if r := g.at(n - 1); wants(r) {
			list = append(list, g.read(r))
		}
	}
	slices.Reverse(list)
	return list, g.upTo - 1, lost
}

// newest is like since, but lists only the last of each kind.
func newest[S any, K comparable](g *recent[S], after uint64, wants func(*raw) bool, kind func(*raw) K) (list []*S, seen uint64) {
	g.reading.Lock()
	defer g.reading.Unlock()
	last := map[K]uint64{}
	from, _ := g.catchUp(after)
	for n := from; n < g.upTo; n++ {
		if r := g.at(n); wants(r) {
			last[kind(r)] = n
		}
	}
	for _, n := range slices.Sorted(maps.Values(last)) {
		list = append(list, g.read(g.at(n)))
	}
	return list, g.upTo - 1
}

// catchUp copies what was received since the last call. It returns the first kept number after the one given, and how many are lost.
func (g *recent[S]) catchUp(after uint64) (from, lost uint64) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.taken == nil && g.kept != nil {
		g.taken, g.decoded = make([]raw, g.keep), make([]*S, g.keep)
	}
	oldest := g.next - min(g.next-1, g.keep)
	for n := max(g.upTo, oldest); n < g.next; n++ {
		to, from := &g.taken[n%g.keep], &g.kept[n%g.keep]
		data := append(to.data[:0], from.data...)
		*to = *from
		to.data = data
		g.decoded[n%g.keep] = nil
	}
	g.upTo = g.next
	if from = after + 1; from < oldest {
		if after > 0 {
			lost = oldest - from
		}
		from = oldest
	}
	return from, lost
}

func (g *recent[S]) at(n uint64) *raw { return &g.taken[n%g.keep] }

// read is r decoded.
func (g *recent[S]) read(r *raw) *S {
	s := &g.decoded[r.number%g.keep]
	if *s == nil {
		*s = g.decode(r)
	}
	return *s
}
