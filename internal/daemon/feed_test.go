package daemon

import (
	"testing"
	"time"

	"muster/internal/event"
	"muster/internal/sim"
	"muster/internal/tap"
)

// BenchmarkFeed gives the daemon what one or two buses at 95 % load bring in a tenth of a second, one bus after the other, as their readers
// hand it over: the time of a frame.
func BenchmarkFeed(b *testing.B) {
	scenario, err := sim.Load(b.Context(), "saturated")
	if err != nil {
		b.Fatal(err)
	}
	s := sim.New(scenario, 1, t0)
	recorded := make([]event.Event, 40_000)
	n := 0
	for n < len(recorded) {
		k, err := s.Read(recorded[n:])
		if err != nil {
			b.Fatal(err)
		}
		n += k
	}
	var batches [][]event.Event
	for len(recorded) > 0 {
		n, end := 0, recorded[0].Time.Add(100*time.Millisecond)
		for n < len(recorded) && recorded[n].Time < end {
			n++
		}
		batches, recorded = append(batches, recorded[:n]), recorded[n:]
	}
	span := batches[len(batches)-1][0].Time.Sub(batches[0][0].Time) + time.Second
	for name, specs := range map[string][]string{"one": {"can0"}, "two": {"can0", "can1"}} {
		b.Run(name, func(b *testing.B) {
			sources := map[string]tap.Source{}
			for _, spec := range specs {
				sources[spec] = &paced{closed: make(chan struct{})}
			}
			d, err := New(b.Context(), options("off", sources, specs...))
			if err != nil {
				b.Fatal(err)
			}
			defer d.Stop()
			frames, moved := 0, time.Duration(0)
			batch := make([]event.Event, 0, 1024)
			b.ReportAllocs()
			for b.Loop() {
				for i := range batches {
					for _, in := range d.sources.inputs() {
						batch = append(batch[:0], batches[i]...)
						for j := range batch {
							batch[j].Time = batch[j].Time.Add(moved)
						}
						if err := d.model.feed(in, batch); err != nil {
							b.Fatal(err)
						}
						frames += len(batch)
					}
				}
				moved += span
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(frames), "ns/frame")
		})
	}
}
