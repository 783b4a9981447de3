package boat

import (
	"testing"
	"time"

	"muster/internal/event"
	"muster/pgn"
)

// fleetOf is a boat of many devices that each send many messages, all of them received a few times.
func fleetOf(devices, messages int) (*Boat, []event.Event) {
	numbers := make([]uint32, 0, messages)
	for _, d := range pgn.All() {
		if d.Transport == pgn.Single && d.PGN > 127000 && d.PGN < 130816 && len(numbers) < messages {
			numbers = append(numbers, d.PGN)
		}
	}
	for i := 0; len(numbers) < messages; i++ {
		numbers = append(numbers, uint32(65280+i))
	}
	w := newWire()
	for i := range devices {
		w.claim(uint8(i), testName(uint32(i+1), 60, 130)).wait(time.Millisecond)
		w.product(uint8(i), "Gannet SD2 sounder", "1.4.2")
	}
	for range 3 {
		for i := range devices {
			for _, n := range numbers {
				w.send(n, uint8(i), pgn.Global, 1, 0x39, 0x05, 0, 0, 0x10, 0, 0xFF).wait(100 * time.Microsecond)
			}
		}
	}
	return w.feed(Options{}), w.events
}

func benchmarkFeed(b *testing.B, devices, messages int) {
	_, events := fleetOf(devices, messages)
	boat := New(Options{})
	boat.Feed(events...)
	loop := events[len(events)-devices*messages:]
	span := loop[len(loop)-1].Time.Sub(loop[0].Time) + time.Millisecond
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		loop[i].Time = loop[i].Time.Add(span)
		boat.Feed(loop[i : i+1]...)
		if i++; i == len(loop) {
			i = 0
		}
	}
}

func BenchmarkFeed(b *testing.B) {
	b.Run("small", func(b *testing.B) { benchmarkFeed(b, 12, 8) })
	b.Run("full", func(b *testing.B) { benchmarkFeed(b, 252, 60) })
}

func BenchmarkReport(b *testing.B) {
	for _, devices := range []int{1, 16, 252} {
		b.Run(map[int]string{1: "1", 16: "16", 252: "252"}[devices], func(b *testing.B) {
			boat, _ := fleetOf(devices, 60)
			b.ReportAllocs()
			for b.Loop() {
				boat.State()
			}
		})
	}
}
