package daemon

import (
	"testing"

	"muster/internal/event"
)

// TestQueueAllocations: events on their way to the model cost no memory once the batches are warm, lines neither.
func TestQueueAllocations(t *testing.T) {
	q := newQueue()
	events := make([]event.Event, 100)
	for i := range events {
		events[i] = claim(t0, nameA, 35)
	}
	events[7] = event.Event{Kind: event.KindLine, Time: t0, Line: []byte("$IIHDG,101.1,,,7.1,W*3A")}
	if n := testing.AllocsPerRun(100, func() {
		q.put(events, false)
		q.put(events, false)
		q.putBack(q.take())
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

// TestQueueForgets: what grew while the model was behind is given back.
func TestQueueForgets(t *testing.T) {
	q := newQueue()
	events := make([]event.Event, 256)
	for range 2 * waitingEvents / len(events) {
		q.put(events, false)
	}
	b := q.take()
	if len(b.events) != waitingEvents {
		t.Errorf("%d events waited", len(b.events))
	}
	q.putBack(b)
	q.take()
	if first, _ := q.put(events, false); !first {
		t.Error("the model is not told")
	}
	if n := cap(q.take().events); n > keptEvents {
		t.Errorf("room for %d events is kept", n)
	}
}
