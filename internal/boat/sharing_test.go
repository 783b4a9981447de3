package boat

import (
	"maps"
	"slices"
	"testing"
	"time"

	"go.einride.tech/can"
	"pgregory.net/rapid"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// countingSender sends messages of some PGNs from one address, with a counter for each or one for all.
type countingSender struct {
	phase, every map[uint32]time.Duration
	counter      map[uint32]uint8
	common       bool
	all          uint8
	lost         func() bool
}

// play feeds what senders at one address send for two minutes and returns what shows a second one.
func play(t require, senders ...*countingSender) *Sharing {
	b := New(Options{})
	start := event.Time(1_780_000_000e9)
	b.Feed(event.Event{Kind: event.KindNetwork, Time: start, Info: &event.Network{ID: "can0", Kind: event.NMEA2000}})
	var frames []can.Frame
	for at := start; at < start.Add(2*time.Minute); at = at.Add(10 * time.Millisecond) {
		for _, s := range senders {
			for _, number := range slices.Sorted(maps.Keys(s.every)) {
				every := s.every[number]
				if (at.Sub(start)+s.phase[number])%every != 0 {
					continue
				}
				s.counter[number]++
				s.all++
				sequence := s.counter[number]
				if s.common {
					sequence = s.all
				}
				if s.lost != nil && s.lost() {
					continue
				}
				var err error
				frames, err = transport.Split(frames[:0], pgn.MakeID(3, number, 35, pgn.Global), sequence, make([]byte, 20))
				if err != nil {
					t.Fatal(err)
				}
				for _, f := range frames {
					b.Feed(event.Event{Kind: event.KindFrame, Time: at, Frame: f})
				}
			}
		}
	}
	devices := b.State().Devices
	if len(devices) != 1 {
		t.Fatalf("%d devices", len(devices))
	}
	return devices[0].Sharing
}

// require is what a test and a property both are.
type require interface {
	Fatal(...any)
	Fatalf(string, ...any)
}

func counting(number uint32, every time.Duration, first uint8) *countingSender {
	return &countingSender{every: map[uint32]time.Duration{number: every}, phase: map[uint32]time.Duration{},
		counter: map[uint32]uint8{number: first}}
}

// TestTwoSendersShow: two senders of one message at one address show.
func TestTwoSendersShow(t *testing.T) {
	a, b := counting(129029, time.Second, 0), counting(129029, time.Second, 4)
	b.phase[129029] = 330 * time.Millisecond
	if s := play(t, a, b); s == nil || len(s.Messages) != 1 || s.Messages[0] != 129029 || s.Last.Sub(s.Since) < time.Minute {
		t.Errorf("%+v", s)
	}
}

// TestOneSenderIsNotShared: one sender never looks like two, however many messages it sends, with a counter for each or one for all, and
// when messages are lost.
func TestOneSenderIsNotShared(t *testing.T) {
	numbers := []uint32{129029, 129540, 127489, 130577, 129284}
	rapid.Check(t, func(t *rapid.T) {
		s := &countingSender{every: map[uint32]time.Duration{}, phase: map[uint32]time.Duration{},
			counter: map[uint32]uint8{}, common: rapid.Bool().Draw(t, "common")}
		for _, n := range numbers[:rapid.IntRange(1, len(numbers)).Draw(t, "messages")] {
			s.every[n] = 10 * time.Millisecond * time.Duration(rapid.SampledFrom([]int{10, 20, 25, 50, 100, 150, 200}).Draw(t, "every"))
			s.phase[n] = 10 * time.Millisecond * time.Duration(rapid.IntRange(0, 100).Draw(t, "phase"))
			s.counter[n] = uint8(rapid.IntRange(0, 7).Draw(t, "counter"))
		}
		if share := rapid.IntRange(0, 30).Draw(t, "lost"); share > 0 {
			rnd := uint32(share)
			s.lost = func() bool { rnd = rnd*1664525 + 1013904223; return rnd>>16%100 < uint32(share) }
		}
		if got := play(t, s); got != nil {
			t.Fatalf("one sender looks like two: %+v", got)
		}
	})
}

// TestTwoSendersOfSingleFramesShow: two compasses at one address show by the sequence numbers in their single frames; one
// compass does not, whatever it counts: readings true and magnetic in turn with a number for each, numbers in steps, none.
func TestTwoSendersOfSingleFramesShow(t *testing.T) {
	const sid, reference = 0, 7
	for _, c := range []struct {
		name   string
		frame  func(i int, data []byte)
		shared bool
		counts bool
	}{
		{"two compasses", func(i int, data []byte) { data[sid] = byte((i/2 + 100*(i%2)) % 253) }, true, true},
		{"one compass", func(i int, data []byte) { data[sid] = byte(i % 253) }, false, true},
		{"true and magnetic", func(i int, data []byte) { data[sid], data[reference] = byte((i/2+100*(i%2))%253), byte(i%2) }, false, true},
		{"each reading twice", func(i int, data []byte) { data[sid] = byte(i / 2 % 253) }, false, true},
		{"in steps of seven", func(i int, data []byte) { data[sid] = byte(7 * i % 253) }, false, false},
		{"one number for all, 127 messages apart", func(i int, data []byte) { data[sid] = byte(127 * i % 253) }, false, true},
		{"not numbered", func(_ int, data []byte) { data[sid] = 0xFF }, false, false},
	} {
		w := newWire().claim(35, nameHead)
		for i := range 600 {
			data := slices.Clone(heading)
			c.frame(i, data)
			w.send(127250, 35, pgn.Global, data...).wait(50 * time.Millisecond)
			if c.name == "one number for all, 127 messages apart" {
				other := slices.Clone(heading)
				for k := 1; k < 127; k++ {
					other[sid] = byte((127*i + k) % 253)
					w.send(127251, 35, pgn.Global, other...)
				}
			}
		}
		d := deviceOf(t, w.state(), nameHead.String())
		if shared := d.Sharing != nil; shared != c.shared || d.Counts != c.counts {
			t.Errorf("%s: shared %v (%+v), counts %v", c.name, shared, d.Sharing, d.Counts)
		}
	}
}

// TestWhoLostItsAddress: a device that lost its address to another one and reported nothing since is known as that; one that
// took another address, or reported that it has none, is not.
func TestWhoLostItsAddress(t *testing.T) {
	lower, higher := testName(7, 60, 140), testName(8, 60, 140)
	lost := newWire().claim(35, higher).speaks(35).claim(35, lower)
	for _, c := range []struct {
		name string
		wire *wire
		want bool
	}{
		{"nothing since", lost, true},
		{"another address", newWire().claim(35, higher).speaks(35).claim(35, lower).claim(36, higher), false},
		{"none", newWire().claim(35, higher).speaks(35).claim(35, lower).send(pgnClaim, pgn.Null, pgn.Global, higher.Append(nil)...), false},
		{"it came second", newWire().claim(35, lower).speaks(35).claim(35, higher).claim(35, lower), true},
	} {
		d := deviceOf(t, c.wire.speaks(35).state(), higher.String())
		if got := d.Lost != nil && *d.Lost == 35; got != c.want {
			t.Errorf("%s: lost %v", c.name, d.Lost)
		}
	}
}
