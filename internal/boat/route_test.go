package boat

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.einride.tech/can"
	"pgregory.net/rapid"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// drawEvent draws what a small and restless bus may bring: few addresses and NAMEs, so that they meet, and every way of sending.
func drawEvent(t *rapid.T, now *event.Time) event.Event {
	*now = now.Add(time.Duration(rapid.SampledFrom([]int{0, 1, 1, 2, 10, 100, 300, 1500, 11_000, 700_000, -50, -5000}).Draw(t, "ms")) * time.Millisecond)
	e := event.Event{Kind: event.KindFrame, Time: *now, Frame: can.Frame{IsExtended: true, Length: 8}}
	src := rapid.SampledFrom([]uint8{1, 2, 3, 3, 3, pgn.Null, pgn.Global}).Draw(t, "source")
	number := rapid.SampledFrom([]uint32{127250, 127505, 130312, 129029, 129029, 65300, 60928, 59904, 60416, 60160, 126996, 126208, 131000}).Draw(t, "pgn")
	e.Frame.ID = uint32(pgn.MakeID(rapid.SampledFrom([]uint8{2, 6}).Draw(t, "priority"), number, src, rapid.SampledFrom([]uint8{255, 1}).Draw(t, "destination")))
	data := e.Frame.Data[:]
	switch number {
	case 60928:
		// Two units of one NAME but for the instance, and a third of a lower one.
		name := rapid.SampledFrom([]pgn.NAME{nameHead, nameHead | 1<<32, nameDepth}).Draw(t, "name")
		copy(data, name.Append(nil))
	case 59904:
		copy(data, []byte{0x00, 0xEE, 0x00})
		e.Frame.Length = 3
	case 129029, 126208, 126996:
		data[0] = byte(rapid.IntRange(0, 7).Draw(t, "frame")) | byte(rapid.IntRange(0, 1).Draw(t, "sequence"))<<5
		data[1] = byte(rapid.SampledFrom([]int{4, 9, 43}).Draw(t, "length"))
	case 127505, 130312:
		data[0], data[1] = byte(rapid.IntRange(0, 2).Draw(t, "first")), byte(rapid.IntRange(0, 2).Draw(t, "second"))
	default:
		if rapid.Bool().Draw(t, "value") {
			copy(data, heading)
		} else {
			copy(data, headingEmpty)
		}
	}
	switch rapid.IntRange(0, 30).Draw(t, "odd") {
	case 0:
		e.Frame.Length = uint8(rapid.IntRange(0, 15).Draw(t, "bytes"))
	case 1:
		e.Frame.IsExtended = false
	case 2:
		e.Frame.IsRemote = true
	case 3:
		e.Time = 0
	case 4:
		e.Network = uint16(rapid.SampledFrom([]int{1, 3, 99}).Draw(t, "network"))
	case 5:
		e.Kind, e.Line = event.KindLine, []byte("$IIHDT,90.0,T*1B")
	case 6:
		e.Kind, e.Info = event.KindNetwork, &event.Network{ID: "can0", Kind: event.NMEA2000}
	case 7:
		e.Kind = event.KindNone
	}
	return e
}

// TestRoutesAgree holds the way of a frame whose sender is known already to the look-ups that it spares.
func TestRoutesAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		opt := Options{MaxDevices: rapid.SampledFrom([]int{2, 1024}).Draw(t, "devices"), MaxStreams: rapid.SampledFrom([]int{3, 256}).Draw(t, "streams")}
		straight, slow := New(opt), New(opt)
		slow.noRoutes = true
		now := epoch
		for range rapid.IntRange(1, 300).Draw(t, "events") {
			e := drawEvent(t, &now)
			again := e
			straight.Feed(&e)
			slow.Feed(&again)
		}
		if d := cmp.Diff(slow.Report(), straight.Report()); d != "" {
			t.Fatalf("(-slow +straight): %s", d)
		}
	})
}

// TestFramesAgree holds frames that are fed by the run to frames fed one by one, some with their bits counted before.
func TestFramesAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		byRun, one := New(Options{}), New(Options{})
		now := epoch
		events := make([]event.Event, rapid.IntRange(1, 300).Draw(t, "events"))
		for i := range events {
			events[i] = drawEvent(t, &now)
		}
		for i := range events {
			e := events[i]
			one.Feed(&e)
			if e := &events[i]; e.Kind == event.KindFrame && rapid.Bool().Draw(t, "counted") {
				e.Count = uint32(transport.FrameBits(&e.Frame))
			}
		}
		for rest := events; len(rest) > 0; {
			until := rest[0].Time.Add(time.Duration(rapid.IntRange(0, 3000).Draw(t, "until")) * time.Millisecond)
			n := byRun.FeedFrames(rest[0].Network, rest[0].Network, rest[:rapid.IntRange(1, len(rest)).Draw(t, "batch")], rest[0].Time, until)
			for _, e := range rest[:n] {
				if e.Kind != event.KindFrame || e.Time < rest[0].Time || e.Time >= until {
					t.Fatalf("took %+v", e)
				}
			}
			if n == 0 {
				byRun.Feed(&rest[0])
				n = 1
			}
			rest = rest[n:]
		}
		if d := cmp.Diff(one.Report(), byRun.Report()); d != "" {
			t.Fatalf("(-one by one +by the run): %s", d)
		}
	})
}

// TestRoutesAreUsed sees that the frames of a bus at rest take the short way.
func TestRoutesAreUsed(t *testing.T) {
	w := newWire().claim(35, nameHead).every(100*time.Millisecond, 3, 127250, 35, heading...)
	b := w.feed(Options{})
	id := uint32(pgn.MakeID(6, 127250, 35, pgn.Global))
	r := b.nets[0].slot(id)
	if r.key != b.nets[0].era|uint64(id) || r.device == nil || !r.whole || r.device.sender.NAME != nameHead {
		t.Errorf("%+v", *r)
	}
	w.claim(35, nameDepth)
	b.Feed(&w.events[len(w.events)-1])
	if r.key == b.nets[0].era|uint64(id) {
		t.Error("a claim leaves the route of its address")
	}
}
