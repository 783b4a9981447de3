package capture

import (
	"bytes"
	"io"
	"math/rand/v2"
	"testing"

	"muster/internal/event"
)

// recording makes a capture of n frames of mixed lengths on one network.
func recording(tb testing.TB, format Format, n int) []byte {
	tb.Helper()
	rng := rand.New(rand.NewPCG(1, 2))
	var file bytes.Buffer
	w, err := NewWriter(&file, format)
	if err != nil {
		tb.Fatal(err)
	}
	at := event.Time(1_700_000_000_000_000_000)
	e := event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "can0", Kind: event.NMEA2000}}
	w.Write(&e)
	for range n {
		at += 500_000
		e := event.Event{Kind: event.KindFrame, Time: at}
		e.Frame.ID, e.Frame.IsExtended, e.Frame.Length = rng.Uint32()&0x1FFFFFFF, true, 8
		if rng.IntN(10) == 0 {
			e.Frame.Length = uint8(rng.IntN(8))
		}
		for i := range e.Frame.Length {
			e.Frame.Data[i] = byte(rng.Uint32())
		}
		w.Write(&e)
	}
	if err := w.Flush(); err != nil {
		tb.Fatal(err)
	}
	return file.Bytes()
}

// BenchmarkRead gives the time and the bytes of one frame read.
func BenchmarkRead(b *testing.B) {
	const frames = 100_000
	for _, format := range []Format{FormatCandump, FormatPcap, FormatPcapng} {
		file := recording(b, format, frames)
		b.Run(format.String(), func(b *testing.B) { benchRead(b, file, false) })
		b.Run(format.String()+"-slow-path", func(b *testing.B) { benchRead(b, file, true) })
	}
}

func benchRead(b *testing.B, file []byte, noFast bool) {
	const frames = 100_000
	events := make([]event.Event, 256)
	b.ReportAllocs()
	b.SetBytes(int64(len(file)))
	for b.Loop() {
		r, err := NewReader(bytes.NewReader(file))
		if err != nil {
			b.Fatal(err)
		}
		setNoFast(r, noFast)
		n := 0
		for {
			k, err := r.Read(events)
			n += k
			if err == io.EOF {
				break
			}
		}
		if n != frames+1 {
			b.Fatalf("%d events", n)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/frames, "ns/frame")
}

func BenchmarkWrite(b *testing.B) {
	e := sample()[1]
	for _, format := range []Format{FormatCandump, FormatPcap, FormatPcapng} {
		b.Run(format.String(), func(b *testing.B) {
			w, err := NewWriter(io.Discard, format)
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				w.Write(&e)
			}
		})
	}
}

// Once warm, reading a frame allocates nothing.
func TestReadAllocations(t *testing.T) {
	for _, format := range []Format{FormatCandump, FormatPcap, FormatPcapng} {
		r := open(t, bytes.NewReader(recording(t, format, 50_000)))
		events := make([]event.Event, 100)
		r.Read(events)
		if n := testing.AllocsPerRun(400, func() { r.Read(events) }); n != 0 {
			t.Errorf("%v: %v allocations for 100 frames", format, n)
		}
	}
}
