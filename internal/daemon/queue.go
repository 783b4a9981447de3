package daemon

import (
	"sync"

	"muster/internal/event"
)

const (
	// waitingEvents is how many events of one source may wait for the model: nearly five seconds of a full bus, one
	// frame at a time.
	waitingEvents = 8192
	waitingBytes  = 512 << 10 // of their lines
	keptEvents    = 1024      // a larger batch gives its memory back
)

// batch is what a reader hands to the model: events of one source, with lines of their own.
type batch struct {
	events []event.Event
	lines  []byte // holds the lines of events
	end    bool   // the last batch of the source
	err    error  // why it ended; nil for a plain end
}

// queue is where the events of one source wait for the model. Each source has its own, so that one which floods takes
// no room from the others, and a model that is behind finds all that came meanwhile at once. Its reader puts, the
// model's goroutine takes.
type queue struct {
	room chan struct{} // capacity 1: the model took what there was

	mu      sync.Mutex // guards the following; held over copying alone
	waiting batch
	listed  bool   // the model has been, or is about to be, notified that something waits
	lost    uint32 // events that found no room, since the latest that did

	spare batch // the model's
}

func newQueue() queue { return queue{room: make(chan struct{}, 1)} }

// put adds events. First reports that the model is to be notified that something waits; full that there was no room,
// of which a note is made when the events are not offered again.
func (q *queue) put(events []event.Event, again bool) (first, full bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	w := &q.waiting
	if n := len(w.events); n > 0 && (n+len(events) > waitingEvents || len(w.lines) > waitingBytes) {
		if !again {
			q.lost += uint32(len(events))
		}
		return false, true
	}
	if q.lost > 0 && len(events) > 0 {
		e := &events[0]
		w.events = append(w.events,
			event.Event{Kind: event.KindDropped, Count: q.lost, Time: e.Time, Network: e.Network})
		q.lost = 0
	}
	w.fill(events)
	return q.list(), false
}

// end notes that nothing more comes, and why.
func (q *queue) end(err error) (first bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.waiting.end, q.waiting.err = true, err
	return q.list()
}

func (q *queue) list() (first bool) {
	first = !q.listed
	q.listed = true
	return first
}

// take gives all that waits. It is the model's until put back.
func (q *queue) take() batch {
	q.mu.Lock()
	b := q.waiting
	q.waiting, q.spare, q.listed = q.spare, batch{}, false
	q.mu.Unlock()
	select {
	case q.room <- struct{}{}:
	default:
	}
	return b
}

// putBack gives a batch back when the model is done with it.
func (q *queue) putBack(b batch) {
	if cap(b.events) <= keptEvents {
		q.spare = batch{events: b.events[:0], lines: b.lines[:0]}
	}
}

// fill copies the events, with their lines, into the batch.
func (b *batch) fill(events []event.Event) {
	for i := range events {
		e := events[i]
		if e.Line != nil {
			at := len(b.lines)
			b.lines = append(b.lines, e.Line...)
			e.Line = b.lines[at:len(b.lines):len(b.lines)]
		}
		b.events = append(b.events, e)
	}
}

// vital reports whether events hold more than traffic: what must not be lost even when the model is behind.
func vital(events []event.Event) bool {
	for i := range events {
		switch events[i].Kind {
		case event.KindFrame, event.KindErrorFrame, event.KindLine,
			event.KindDropped, event.KindOversize, event.KindDamaged:
		default:
			return true
		}
	}
	return false
}
