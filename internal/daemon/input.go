package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"sync/atomic"

	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/tap"
)

// opener opens a source as the command line writes it.
type opener = func(spec string, transmit bool) (tap.Source, error)

// batchEvents is how many events a reader takes at once.
const batchEvents = 256

// input is one source and what its reader counts.
type input struct {
	config   config.Source
	spec     string // as the config writes it
	name     string // what logs and metrics call it
	id       string // from the config; names the source's networks
	src      tap.Source
	recorded bool
	patient  bool // what is not read waits, and what is lost there is counted
	queue    queue
	ask      *asking            // nil for a source that is only listened to
	ctx      context.Context    // of its goroutines
	stop     context.CancelFunc // ends it

	// These belong to the model's goroutine.
	numbers []uint16          // the boat's network number for each of the source's own
	ids     []string          // of those networks, as far as they were introduced
	given   map[string]string // those names by the source's own
	over    bool              // it ended
	failed  error             // why it ended
	joined  bool              // begun by a reload, or not there at the start
	gone    bool              // taken off by a reload

	up       atomic.Bool
	ended    atomic.Bool
	frames   atomic.Uint64
	dropped  atomic.Uint64 // events that the model had no time for
	lastSeen atomic.Int64  // event time
}

// openInput opens a source and reads nothing yet.
func openInput(s config.Source, version string, open opener) (*input, error) {
	src, err := open(s.Source, s.Ask)
	if err != nil {
		return nil, NewSourceError(s.Source, err)
	}
	in := &input{config: s, spec: s.Source, name: cmp.Or(s.ID, s.Source), id: s.ID, src: src, queue: newQueue()}
	in.ctx, in.stop = context.WithCancel(context.Background())
	if f, ok := src.(tap.Recorded); ok {
		in.src, in.recorded = tap.BySatellites(f), true
	}
	if p, ok := src.(tap.Patient); ok {
		in.patient = p.Patient()
	}
	if s.Ask {
		if in.ask, err = newAsking(in, version); err != nil {
			_ = in.close()
			return nil, err
		}
	}
	return in, nil
}

// end notes that nothing more comes, and why. Runs on the model's goroutine.
func (in *input) end(err error) {
	in.over = true
	if err != nil {
		in.failed = NewSourceError(in.spec, err)
	}
}

// close ends the reading of the source, whose goroutines then end.
func (in *input) close() error {
	in.stop()
	if err := in.src.Close(); err != nil {
		return fmt.Errorf("close %s: %w", in.name, err)
	}
	return nil
}

// read moves the source's events to the model until the source ends or is closed.
func (s *sources) read(ctx context.Context, in *input) {
	buf := make([]event.Event, batchEvents)
	in.up.Store(true)
	for {
		n, err := in.src.Read(buf)
		s.count(in, buf[:n])
		if !s.hand(ctx, in, buf[:n], err != nil) {
			return
		}
		if err == nil {
			continue
		}
		if errors.Is(err, io.EOF) || ctx.Err() != nil {
			err = nil
		} else {
			in.up.Store(false)
			s.log.Error().Err(err).Str("source", in.name).Msg("source failed")
		}
		in.ended.Store(true)
		if in.queue.end(err) {
			s.signal(ctx, in)
		}
		return
	}
}

// hand puts events where the model finds them. It waits for room where nothing is lost by that, and for the last
// events of a source; false when ctx ended meanwhile.
func (s *sources) hand(ctx context.Context, in *input, events []event.Event, last bool) bool {
	if len(events) == 0 {
		return true
	}
	wait := in.recorded || in.patient || last || vital(events)
	for {
		first, full := in.queue.put(events, wait)
		switch {
		case full && !wait:
			in.dropped.Add(uint64(len(events)))
			return true
		case first:
			return s.signal(ctx, in)
		case !full:
			return true
		}
		select {
		case <-in.queue.room:
		case <-ctx.Done():
			return false
		}
	}
}

// signal wakes the model when something of the source waits; false when ctx ended first.
func (s *sources) signal(ctx context.Context, in *input) bool {
	select {
	case s.ready <- in:
		return true
	case <-ctx.Done():
		return false
	}
}

// count counts what the source read, and reports once when it goes away and once when it is back.
func (s *sources) count(in *input, events []event.Event) {
	n := uint64(0)
	for i := range events {
		switch e := &events[i]; e.Kind {
		case event.KindFrame, event.KindLine:
			n++
		case event.KindDown:
			if in.up.Swap(false) {
				s.log.Warn().Str("source", in.name).Bytes("cause", e.Line).
					Msg("source lost: check its connector, its cable, and that its interface is up; " +
						"it is taken up again when it is back, and the others are read meanwhile")
			}
		case event.KindUp:
			if !in.up.Swap(true) {
				s.log.Info().Str("source", in.name).Msg("source is back")
			}
		}
	}
	in.frames.Add(n)
	if len(events) > 0 {
		if t := events[len(events)-1].Time; t != 0 {
			in.lastSeen.Store(int64(t))
		}
	}
}
