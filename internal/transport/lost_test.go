package transport

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/pgn"
)

// The PGNs that the senders of these tests send: fast packets of one frame, so that a lost frame is a lost message.
var sentPGNs = []uint32{129029, 128275, 129038, 129039, 129540, 126996, 127489, 127497, 127496}

// counting is how a sender numbers its messages.
type counting func(number uint32, instance, n int) uint8

// perPGN is what senders are meant to do; start is where the counter of each PGN begins.
func perPGN(start uint8) counting {
	next := map[uint32]uint8{}
	return func(number uint32, _, _ int) uint8 {
		if _, ok := next[number]; !ok {
			next[number] = start
		}
		next[number]++
		return next[number] - 1
	}
}

func overAll() counting { n := uint8(0); return func(uint32, int, int) uint8 { n++; return n } }

func perInstance() counting {
	next := map[[2]int]uint8{}
	return func(number uint32, instance, _ int) uint8 {
		k := [2]int{int(number), instance}
		next[k]++
		return next[k]
	}
}

// sending is one message of a sender's life.
type sending struct {
	at       time.Duration
	number   uint32
	instance int
}

// plan sends each PGN at its interval for the time, with jitter of a share of the interval.
func plan(r *rand.Rand, length time.Duration, jitter float64, intervals ...time.Duration) (list []sending) {
	for i, every := range intervals {
		for at := every * time.Duration(i) / 7; at < length; at += every {
			shift := time.Duration((r.Float64() - 0.5) * 2 * jitter * float64(every))
			list = append(list, sending{at + shift + time.Second, sentPGNs[i], 0})
		}
	}
	slices.SortStableFunc(list, func(a, b sending) int { return int(a.at - b.at) })
	return list
}

// play sends the list from address 7 and returns how many messages were held back and how many of them were counted as lost.
func play(t *testing.T, a *Assembler, list []sending, way counting, lose func(n int, s sending) bool) (held, counted uint64) {
	t.Helper()
	before := a.Lost(7)
	for n, s := range list {
		f := can.Frame{ID: uint32(pgn.MakeID(6, s.number, 7, pgn.Global)), Length: 8, IsExtended: true}
		f.Data[0], f.Data[1] = way(s.number, s.instance, n)<<5, 6
		if lose != nil && lose(n, s) {
			held++
			continue
		}
		ev := event.Event{Kind: event.KindFrame, Time: t0.Add(s.at), Frame: f}
		if m := a.Feed(&ev); m == nil {
			t.Fatal("no message")
		}
	}
	if c := a.Counters(); c.Lost() != a.Lost(7) || a.Failures() != c.Lost() {
		t.Errorf("%d lost in all, %d of the address, %d failures", c.Lost(), a.Lost(7), a.Failures())
	}
	return held, a.Lost(7) - before
}

const (
	second = time.Second
	tenth  = 100 * time.Millisecond
)

func TestLostMessagesAreCounted(t *testing.T) {
	for _, tt := range []struct {
		name      string
		intervals []time.Duration
		way       func() counting
	}{
		{"one PGN", []time.Duration{second}, func() counting { return perPGN(0) }},
		{"one PGN of a sender that counts over all", []time.Duration{second}, overAll},
		{"four PGNs", []time.Duration{second, tenth, 3 * second, 500 * time.Millisecond}, func() counting { return perPGN(3) }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := rand.New(rand.NewPCG(1, 2))
			way := tt.way()
			var numbers []uint8
			seen := func(number uint32, instance, n int) uint8 {
				s := way(number, instance, n)
				numbers = append(numbers, s&7)
				return s
			}
			list := plan(r, 20*time.Minute, 0.1, tt.intervals...)
			ready := len(list) / 10
			atZero := uint64(0)
			lose := map[int]bool{}
			for n := ready; n < len(list)-50; n += 20 + r.IntN(20) {
				lose[n] = true
			}
			held, counted := play(t, NewAssembler(Options{}), list, seen, func(n int, _ sending) bool { return lose[n] })
			for n := range list { // a gap that ends at 0 is not counted
				if lose[n] && numbers[n] == 7 {
					atZero++
				}
			}
			if counted > held || counted+atZero < held*9/10 || counted == 0 {
				t.Errorf("%d of %d counted (%d end at 0)", counted, held, atZero)
			}
		})
	}
}

// Several messages in a row are counted up to six; of seven the counter comes round to where it was or to where one is expected.
func TestLostInARow(t *testing.T) {
	for row := 1; row <= 9; row++ {
		list := plan(rand.New(rand.NewPCG(3, 4)), time.Minute, 0.05, second)
		at := 25 // the number before the gap is 0, so that none of up to six ends at 0
		_, counted := play(t, NewAssembler(Options{}), list, perPGN(0), func(n int, _ sending) bool { return n >= at && n < at+row })
		want := uint64(row)
		if row >= 7 {
			want = 0
		}
		if counted != want {
			t.Errorf("%d in a row: %d counted, want %d", row, counted, want)
		}
	}
}

// No sender that loses nothing is ever called lossy, however it counts and whatever happens to it.
func TestNothingLost(t *testing.T) {
	intervals := [][]time.Duration{
		{second}, {tenth, 60 * second}, {second, second}, {second, second, second, second, second, second, second, second, second},
		{tenth, second, 3 * second, 7 * second}, {250 * time.Millisecond, 90 * second, 45 * second},
	}
	ways := map[string]func() counting{
		"per PGN": func() counting { return perPGN(5) }, "over all": overAll, "per instance": perInstance,
		"always 0": func() counting { return func(uint32, int, int) uint8 { return 0 } },
		"by two":   func() counting { return func(_ uint32, _, n int) uint8 { return uint8(2 * n) } },
		"random": func() counting {
			r := rand.New(rand.NewPCG(9, 9))
			return func(uint32, int, int) uint8 { return uint8(r.IntN(8)) }
		},
		"0 or 1":  func() counting { return func(_ uint32, _, n int) uint8 { return uint8(n & 1) } },
		"by time": func() counting { return func(_ uint32, _, n int) uint8 { return uint8(n / 3) } },
	}
	for name, way := range ways {
		for i, every := range intervals {
			for _, jitter := range []float64{0, 0.1, 0.4} {
				r := rand.New(rand.NewPCG(uint64(i), 7))
				list := plan(r, 30*time.Minute, jitter, every...)
				for n := range list { // a third of the messages is of a second instance, in no order
					list[n].instance = max(0, r.IntN(3)-1)
				}
				if _, counted := play(t, NewAssembler(Options{}), list, way(), nil); counted != 0 {
					t.Errorf("%s, %v, jitter %.1f: %d counted", name, every, jitter, counted)
				}
			}
		}
	}
}

// A device that was off for a while and counts from 0 again lost nothing, whether its claim was received or not.
func TestRestartIsNoLoss(t *testing.T) {
	for off := range 12 {
		for before := range 8 {
			for _, claim := range []bool{true, false} {
				a := NewAssembler(Options{})
				first := plan(rand.New(rand.NewPCG(5, 6)), time.Duration(30+before)*second, 0.05, second)
				later := plan(rand.New(rand.NewPCG(5, 7)), 30*second, 0.05, second)
				for i := range later {
					later[i].at += first[len(first)-1].at + time.Duration(off)*second
				}
				_, one := play(t, a, first, perPGN(0), nil)
				start := uint8(0)
				if claim {
					a.Restarted(7)
					start = 3
				}
				if _, two := play(t, a, later, perPGN(start), nil); one+two != 0 {
					t.Errorf("off for %d s after %d messages, claim heard: %v: %d counted", off, len(first), claim, one+two)
				}
			}
		}
	}
}

func TestNothingIsLostWhileNobodyListens(t *testing.T) {
	a := NewAssembler(Options{})
	list := plan(rand.New(rand.NewPCG(5, 6)), time.Minute, 0.05, second)
	way := perPGN(1)
	play(t, a, list[:30], way, nil)
	for range 3 {
		way(sentPGNs[0], 0, 0)
	}
	a.Interrupted()
	if _, counted := play(t, a, list[33:], way, nil); counted != 0 {
		t.Errorf("%d counted", counted)
	}
}

// A message that broke was seen: it is counted once, as broken.
func TestBrokenMessageIsNotLostToo(t *testing.T) {
	for missing := range 4 {
		a := NewAssembler(Options{})
		for n := range 40 {
			frames := mustSplit(t, fastID, uint8(n), payload(26))
			for i, f := range frames {
				if n == 31 && i == missing {
					continue
				}
				ev := frameEvent(f, time.Duration(n)*second+time.Duration(i)*time.Millisecond)
				a.Feed(&ev)
			}
		}
		ev := frameEvent(can.Frame{ID: 0x09F80102, Length: 8, IsExtended: true}, time.Hour)
		a.Feed(&ev)
		if c := a.Counters(); c.Broken() != 1 || c.Lost() != 0 {
			t.Errorf("frame %d missing: %d broken, %d lost", missing, c.Broken(), c.Lost())
		}
	}
}

// More counters than there is room for are followed a part at a time, and nothing is made up.
func TestLostIsBounded(t *testing.T) {
	a := NewAssembler(Options{})
	for n := range 20 {
		for source := range 240 {
			for i, number := range sentPGNs {
				f := can.Frame{ID: uint32(pgn.MakeID(6, number, uint8(source), pgn.Global)), Length: 8, IsExtended: true}
				f.Data[0], f.Data[1] = uint8(n)<<5, 6
				ev := frameEvent(f, time.Duration(n)*second+time.Duration(source*9+i)*10*time.Microsecond)
				a.Feed(&ev)
			}
		}
	}
	if a.Failures() != 0 || len(a.lost.counters) != lostSlots {
		t.Errorf("%d failures, %d counters", a.Failures(), len(a.lost.counters))
	}
}
