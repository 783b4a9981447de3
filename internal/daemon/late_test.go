package daemon

import (
	"io"
	"sync/atomic"
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/tap"
	"muster/pgn"
)

// handedSource gives what it is handed.
type handedSource chan []event.Event

func (s handedSource) Read(events []event.Event) (int, error) {
	batch, ok := <-s
	if !ok {
		return 0, io.EOF
	}
	return copy(events, batch), nil
}

func (handedSource) Close() error { return nil }

// TestLateComputer: a computer that had no time for muster has received all the same, and no device was silent
// meanwhile.
func TestLateComputer(t *testing.T) {
	source := make(handedSource)
	o := options("127.0.0.1:0", map[string]tap.Source{"can0": source}, "can0")
	begin := time.Now()
	var late atomic.Int64
	o.Now = func() time.Time { return begin.Add(time.Duration(late.Load())) }
	var frames atomic.Uint64
	var silent atomic.Bool
	o.OnReport = func(_ event.Time, r *report.Report, _ release.Conditions) {
		for i := range r.Devices {
			if r.Devices[i].State == boat.Silent {
				silent.Store(true)
			}
		}
		if len(r.Networks) > 0 {
			frames.Store(r.Networks[0].Frames)
		}
	}
	d, err := New(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- d.Run(t.Context()) }()
	minute := func() (heard []event.Event) {
		for range 60 {
			late.Add(int64(time.Second))
			e := claim(event.At(o.Now()), 0, 35)
			e.Frame.ID = uint32(pgn.MakeID(2, 127250, 35, pgn.Global))
			heard = append(heard, e)
		}
		return heard
	}
	source <- append([]event.Event{network(event.At(begin), "can0", false), claim(event.At(begin), nameA, 35)}, minute()...)
	for round := range uint64(12) { // what comes first after such a time, a tick or the events, is by chance
		eventually(t, func() bool { return frames.Load() == 60*(round+1)+1 })
		err := d.model.do(t.Context(), func() error {
			source <- minute()
			eventually(t, func() bool { return len(d.model.sources.ready) > 0 })
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, func() bool { return frames.Load() == 60*13+1 })
	if silent.Load() {
		t.Error("a device that sent each second was silent in a report")
	}
	close(source)
	if err := d.Stop(); err != nil {
		t.Error(err)
	}
	if err := <-done; err != nil {
		t.Error(err)
	}
}
