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

// TestRoutesAgree holds the way of a frame whose sender is known already to the look-ups that it spares.
func TestRoutesAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		opt := Options{MaxDevices: rapid.SampledFrom([]int{2, 1024}).Draw(t, "devices"), MaxStreams: rapid.SampledFrom([]int{3, 256}).Draw(t, "streams")}
		straight, slow := New(opt), New(opt)
		slow.noRoutes = true
		now := drawClocks(t)
		for range rapid.IntRange(1, 300).Draw(t, "events") {
			e := drawEvent(t, now)
			again := e
			straight.Feed(&e)
			slow.Feed(&again)
		}
		if d := cmp.Diff(slow.Report(), straight.Report()); d != "" {
			t.Fatalf("(-slow +straight): %s", d)
		}
	})
}

// TestFramesAgree holds frames of several networks that are fed by the run to frames fed one by one, some with their bits counted before.
func TestFramesAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var told [2][]string
		var opt [2]Options
		if rapid.Bool().Draw(t, "messages") {
			for i := range opt {
				opt[i].OnMessage = func(m *transport.Message, by *Sender) {
					told[i] = append(told[i], fmt.Sprint(m.Time, m.Network, m.ID, by.Network, by.ID, m.Data))
				}
			}
		}
		one, byRun := New(opt[0]), New(opt[1])
		numbers := rapid.Permutation([]uint16{0, 1, 2}).Draw(t, "numbers")
		numbered := func(e event.Event) *event.Event {
			if int(e.Network) < len(numbers) {
				e.Network = numbers[e.Network]
			}
			return &e
		}
		now := drawClocks(t)
		events := make([]event.Event, rapid.IntRange(1, 300).Draw(t, "events"))
		for i := range events {
			events[i] = drawEvent(t, now)
			one.Feed(numbered(events[i]))
			if e := &events[i]; e.Kind == event.KindFrame && rapid.Bool().Draw(t, "counted") {
				e.Count = uint32(transport.FrameBits(&e.Frame))
			}
		}
		ms := func(name string) time.Duration {
			return time.Duration(rapid.IntRange(0, 3000).Draw(t, name)) * time.Millisecond
		}
		for rest := events; len(rest) > 0; {
			from, until := rest[0].Time.Add(-ms("from")), rest[0].Time.Add(ms("until"))
			before := slices.Clone(rest)
			n, latest := byRun.FeedFrames(numbers, rest[:rapid.IntRange(1, len(rest)).Draw(t, "batch")], from, until)
			last := event.Time(0)
			for i, e := range rest[:n] {
				last = max(last, e.Time)
				if e.Kind != event.KindFrame || e.Time < from || e.Time >= until || e.Network != numbered(before[i]).Network {
					t.Fatalf("took %+v", e)
				}
			}
			if last != latest {
				t.Fatalf("the latest of %d is %v, not %v", n, last, latest)
			}
			if n == 0 {
				byRun.Feed(numbered(rest[0]))
				n = 1
			}
			rest = rest[n:]
		}
		if d := cmp.Diff(one.Report(), byRun.Report()); d != "" {
			t.Fatalf("(-one by one +by the run): %s", d)
		}
		if d := cmp.Diff(told[0], told[1]); d != "" {
			t.Fatalf("messages (-one by one +by the run): %s", d)
		}
	})
}

// TestFramesOfTwoNetworks sees that frames of two networks go by the run, in turn and each network's tenth of a second after the other's.
func TestFramesOfTwoNetworks(t *testing.T) {
	for name, late := range map[string]int{"in turn": 1, "late": 100} {
		t.Run(name, func(t *testing.T) {
			b := New(Options{})
			for network, name := range []pgn.NAME{nameHead, nameDepth} {
				for _, e := range newWire().claim(35, name).events {
					e.Network = uint16(network)
					b.Feed(&e)
				}
			}
			sent := newWire().send(127250, 35, pgn.Global, heading...).events[1]
			var events []event.Event
			for ms := 0; ms < 900; ms += late {
				for network := range uint16(2) {
					for i := range late {
						e := sent
						e.Network, e.Time = network, epoch.Add(time.Duration(ms+i)*time.Millisecond)
						events = append(events, e)
					}
				}
			}
			if n, _ := b.FeedFrames([]uint16{0, 1}, events, epoch, epoch.Add(time.Second)); n != len(events) {
				t.Errorf("%d of %d were taken", n, len(events))
			}
		})
	}
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
