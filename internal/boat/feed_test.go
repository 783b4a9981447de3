package boat

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.einride.tech/can"
	"pgregory.net/rapid"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// clocks are the times that some networks have come to. Each goes by itself, so that one network's events come later than another's.
type clocks struct {
	now   []event.Time
	steps []int // ms by which one may go on
}

func drawClocks(t *rapid.T) clocks {
	c := clocks{now: slices.Repeat([]event.Time{epoch}, rapid.IntRange(1, 3).Draw(t, "networks")), steps: []int{0, 1, 1, 2, 10, 100, -50}}
	if rapid.Bool().Draw(t, "leaps") {
		c.steps = append(c.steps, 300, 1500, 11_000, 700_000, -5000)
	}
	return c
}

// drawEvent draws what small and restless buses may bring: few addresses and NAMEs, so that they meet, and every way of sending.
func drawEvent(t *rapid.T, c clocks) event.Event {
	network := rapid.IntRange(0, len(c.now)-1).Draw(t, "bus")
	now := &c.now[network]
	*now = now.Add(time.Duration(rapid.SampledFrom(c.steps).Draw(t, "ms")) * time.Millisecond)
	e := event.Event{Kind: event.KindFrame, Time: *now, Network: uint16(network), Frame: can.Frame{IsExtended: true, Length: 8}}
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

// TestFeedInBatches: however events are cut into batches, they give the same report and the same messages.
func TestFeedInBatches(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var told [2][]string
		var boats [2]*Boat
		devices, streams := rapid.SampledFrom([]int{2, 1024}).Draw(t, "devices"), rapid.SampledFrom([]int{3, 256}).Draw(t, "streams")
		for i := range boats {
			boats[i] = New(Options{MaxDevices: devices, MaxStreams: streams, OnMessage: func(m *transport.Message, by *Sender) {
				told[i] = append(told[i], fmt.Sprint(m.Time, m.Network, m.ID, by.Network, by.ID, m.Data))
			}})
		}
		now := drawClocks(t)
		events := make([]event.Event, rapid.IntRange(1, 300).Draw(t, "events"))
		for i := range events {
			events[i] = drawEvent(t, now)
			boats[0].Feed(events[i])
		}
		for rest := events; len(rest) > 0; {
			n := rapid.IntRange(1, len(rest)).Draw(t, "batch")
			boats[1].Feed(rest[:n]...)
			rest = rest[n:]
		}
		if d := cmp.Diff(boats[0].State(), boats[1].State()); d != "" {
			t.Fatalf("(-one by one +in batches): %s", d)
		}
		if d := cmp.Diff(told[0], told[1]); d != "" {
			t.Fatalf("messages (-one by one +in batches): %s", d)
		}
	})
}
