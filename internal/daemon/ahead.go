package daemon

import (
	"runtime"
	"sync"

	"muster/internal/event"
	"muster/internal/tap"
	"muster/internal/transport"
)

const (
	aheadBatches = 8        // that go round between reader and model: all of them fit a second level cache
	aheadEvents  = 2048     // of a batch: with 256 the hand-over costs more than the second core brings
	aheadWaiting = 3        // batches that wait when the model is the slower one
	aheadLines   = 32 << 10 // bytes of lines that a batch usually holds
)

// ahead reads a capture on a goroutine of its own, so that parsing and modelling each have a core. Batches keep their order, and go
// back to be filled anew. While some wait for the model, the reader counts the bits of frames for it, which shares the work evenly.
type ahead struct {
	full, empty chan *aheadBatch
	stop        chan struct{}
	reader      sync.WaitGroup
	held        *aheadBatch // lent out by the latest next
	shares      bool        // there is a second core to count on
	lengths     transport.Lengths
}

// aheadBatch owns the bytes of its lines: those of the source are good only until its next Read.
type aheadBatch struct {
	events []event.Event
	lines  []byte
	err    error
}

func readAhead(src tap.Source, size int) *ahead {
	a := &ahead{
		full: make(chan *aheadBatch, aheadBatches), empty: make(chan *aheadBatch, aheadBatches), stop: make(chan struct{}),
		shares: runtime.GOMAXPROCS(0) > 1,
	}
	for range aheadBatches {
		a.empty <- &aheadBatch{events: make([]event.Event, 0, size), lines: make([]byte, 0, aheadLines)}
	}
	a.reader.Go(func() { a.read(src) })
	return a
}

func (a *ahead) read(src tap.Source) {
	for {
		select {
		case <-a.stop:
			return
		case b := <-a.empty:
			b.fill(src)
			if a.shares && len(a.full) >= aheadWaiting {
				b.count(&a.lengths)
			}
			a.full <- b // has room for every batch
			if b.err != nil {
				return
			}
		}
	}
}

// fill reads once. What is left from the batch before is overwritten by the source, which sets every field of an event.
func (b *aheadBatch) fill(src tap.Source) {
	n, err := src.Read(b.events[:cap(b.events)])
	b.events, b.err, b.lines = b.events[:n], err, b.lines[:0]
	for i := range b.events {
		e := &b.events[i]
		if e.Line == nil {
			continue
		}
		at := len(b.lines)
		b.lines = append(b.lines, e.Line...) // lines before stay where they are when this one moves the buffer
		e.Line = b.lines[at:len(b.lines):len(b.lines)]
	}
}

// count does what the model does with frames whose bits nobody counted.
func (b *aheadBatch) count(l *transport.Lengths) {
	for i := range b.events {
		if e := &b.events[i]; e.Kind == event.KindFrame {
			e.Count = uint32(l.FrameBits(&e.Frame))
		}
	}
}

// next lends the next batch until it is called again. Nothing comes after an error.
func (a *ahead) next() ([]event.Event, error) {
	if a.held != nil {
		a.empty <- a.held
	}
	a.held = <-a.full
	return a.held.events, a.held.err
}

// close ends the reader and waits for it.
func (a *ahead) close() {
	close(a.stop)
	a.reader.Wait()
}
