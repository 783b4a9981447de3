package boat

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"muster/internal/event"
	"muster/pgn"
)

// plainSender sends headings that it does not number: every so often, late by up to the jitter, of a value with noise.
type plainSender struct {
	every, phase, jitter time.Duration
	value                func(at time.Duration) float64 // in 0.0001 rad
	lost                 float64
	from                 time.Duration // when it begins
}

// plays adds what the senders send from one address until a moment, in order of time.
func (w *wire) plays(rnd *rand.Rand, src uint8, until event.Time, senders ...plainSender) *wire {
	type sent struct {
		at   event.Time
		data []byte
	}
	var all []sent
	start := w.now
	for _, s := range senders {
		for at := s.from + s.phase; start.Add(at) < until; at += s.every {
			if rnd.Float64() < s.lost {
				continue
			}
			data := slices.Clone(heading)
			data[0] = 0xFF
			v := math.Mod(s.value(at)+62832, 62832)
			binary.LittleEndian.PutUint16(data[1:], uint16(v))
			late := time.Duration(rnd.Float64() * float64(s.jitter))
			all = append(all, sent{start.Add(at + late), data})
		}
	}
	slices.SortStableFunc(all, func(a, b sent) int { return int(a.at - b.at) })
	for _, x := range all {
		w.now = max(w.now, x.at)
		w.send(127250, src, pgn.Global, x.data...)
	}
	w.now = max(w.now, until)
	return w
}

func about(v, noise float64, rnd *rand.Rand) func(time.Duration) float64 {
	return func(at time.Duration) float64 { return v + 500*math.Sin(at.Seconds()/7) + noise*rnd.NormFloat64() }
}

// TestLoserThatKeepsSendingShows: a compass that lost its address to another and keeps sending from it shows in messages that nobody numbers,
// whether it came first or second, by its values or by its moments.
func TestLoserThatKeepsSendingShows(t *testing.T) {
	lower, higher := testName(7, 60, 140), testName(8, 60, 140)
	for _, c := range []struct {
		name          string
		first, second pgn.NAME
		apart         float64 // of the values
		phase         time.Duration
		alone         time.Duration // that the first one sends before the second comes
		every         time.Duration
	}{
		{"it comes second, its values differ", lower, higher, 1200, 50 * time.Millisecond, time.Minute, 100 * time.Millisecond},
		{"it comes second, at its own moments", lower, higher, 0, 20 * time.Millisecond, time.Minute, 100 * time.Millisecond},
		{"it comes second, slower than published", lower, higher, 1200, 100 * time.Millisecond, time.Minute, 200 * time.Millisecond},
		{"both are there from the start", lower, higher, 1200, 20 * time.Millisecond, 2 * time.Second, 100 * time.Millisecond},
		{"it was there first", higher, lower, 1200, 20 * time.Millisecond, time.Minute, 100 * time.Millisecond},
	} {
		rnd := rand.New(rand.NewPCG(1, 2))
		one := plainSender{every: c.every, jitter: 3 * time.Millisecond, value: about(9000, 10, rnd)}
		other := one
		other.phase, other.value = c.phase, about(9000+c.apart, 10, rnd)
		w := newWire().claim(35, c.first).plays(rnd, 35, epoch.Add(c.alone), one)
		w.claim(35, c.second)
		if c.first == lower {
			w.claim(35, lower)
		}
		s := w.plays(rnd, 35, w.now.Add(20*time.Second), one, other).state()
		d := deviceOf(t, s, lower.String())
		if d.Sharing == nil || !slices.Equal(d.Sharing.Doubled, []uint32{127250}) || d.Sharing.With != higher.String() {
			t.Errorf("%s: %+v", c.name, d.Sharing)
		}
		w.claim(36, higher)
		if d := deviceOf(t, w.state(), lower.String()); d.Sharing != nil {
			t.Errorf("%s, until it took another address: %+v", c.name, d.Sharing)
		}
	}
}

// TestWinnerAloneIsNotTwo: a unit whose address another claimed in vain, or nobody, never looks like two senders, whatever it does itself: at any rate, with
// jitter and losses, faster or slower from some moment on, with two measurements in turn as before.
func TestWinnerAloneIsNotTwo(t *testing.T) {
	lower, higher := testName(7, 60, 140), testName(8, 60, 140)
	rapid.Check(t, func(t *rapid.T) {
		rnd := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		draw := func(name string, of ...int) int { return rapid.SampledFrom(of).Draw(t, name) }
		every := time.Duration(draw("every", 50, 100, 200, 250, 400, 1000)) * time.Millisecond
		one := plainSender{every: every, jitter: every * time.Duration(draw("jitter", 0, 1, 5, 20)) / 100,
			lost: float64(draw("lost", 0, 1, 5)) / 100, value: about(9000, float64(draw("noise", 0, 3, 20, 300)), rnd)}
		before, after := []plainSender{one}, []plainSender{one}
		switch draw("change", 0, 1, 2, 3, 4) {
		case 1:
			after[0].every /= 2
		case 2:
			after[0].every *= 2
		case 3: // two measurements in turn, all the while
			second := one
			second.phase, second.value = every/3, about(11000, 3, rnd)
			before, after = []plainSender{one, second}, []plainSender{one, second}
		case 4: // it begins only now
			before = nil
		}
		w := newWire()
		if rapid.Bool().Draw(t, "claimed") {
			w.claim(35, lower).plays(rnd, 35, epoch.Add(time.Minute), before...).claim(35, higher).claim(35, lower)
		} else { // nobody claims anything
			w.plays(rnd, 35, epoch.Add(time.Minute), before...)
		}
		w.plays(rnd, 35, w.now.Add(time.Duration(draw("minutes", 1, 1, 10))*time.Minute), after...)
		b := New(Options{})
		b.Feed(w.events...)
		for _, d := range b.State().Devices {
			if d.Sharing != nil {
				t.Fatalf("%+v", d.Sharing)
			}
		}
	})
}

// TestTwoSerialsInTurnShow: two boxes of one NAME at one address show by the product information that both send when asked; one that was
// put in the place of the other, even there and back, does not, and neither loses its history.
func TestTwoSerialsInTurnShow(t *testing.T) {
	one := testName(7, 120, 130)
	for _, c := range []struct {
		name    string
		reports []string
		want    bool
	}{
		{"one box", []string{"XT1", "XT1", "XT1"}, false},
		{"replaced", []string{"XT1", "XT2", "XT2"}, false},
		{"there and back", []string{"XT1", "XT2", "XT1"}, false},
		{"in turn", []string{"XT1", "XT2", "XT1", "XT2"}, true},
		{"in any order", []string{"XT1", "XT2", "XT2", "XT1", "XT1", "XT2"}, true},
		{"until it was taken off", []string{"XT1", "XT2", "XT1", "XT2", "XT2", "XT2", "XT2"}, false},
	} {
		w := newWire().claim(35, one)
		for _, serial := range c.reports {
			w.wait(20*time.Second).boxOf(35, serial, map[string]string{"XT1": "1.0", "XT2": "1.1"}[serial])
		}
		d := deviceOf(t, w.state(), one.String())
		if got := d.Sharing != nil; got != c.want {
			t.Errorf("%s: %+v", c.name, d.Sharing)
		}
		for _, b := range append(d.Before, Box{Serial: d.Product.Serial, Software: d.Software}) {
			if len(b.Software) != 1 {
				t.Errorf("%s: %s ran %v", c.name, b.Serial, b.Software)
			}
		}
	}
}

// TestTwoClocksShow: two compasses at one address, of which muster received no claim of the second or of neither, show by what their clocks
// differ, whatever that is, once the one has slid along the other; in a gateway, which forwards what others send, they do not.
func TestTwoClocksShow(t *testing.T) {
	for _, c := range []struct {
		name  string
		class uint8 // 0: nobody claimed the address
		apart time.Duration
		span  time.Duration
		want  bool
	}{
		{"the second never claimed it", 60, 100 * time.Microsecond, time.Minute, true},
		{"neither claimed it", 0, 100 * time.Microsecond, time.Minute, true},
		{"by 50 parts in a million", 60, 5 * time.Microsecond, 12 * time.Minute, true},
		{"by one part in 300", 60, 333 * time.Microsecond, time.Minute, true},
		{"not yet", 60, 5 * time.Microsecond, time.Minute, false},
		{"one clock", 60, 0, 12 * time.Minute, false},
		{"a gateway", 25, 100 * time.Microsecond, time.Minute, false},
	} {
		rnd := rand.New(rand.NewPCG(1, 2))
		one := plainSender{every: 100 * time.Millisecond, jitter: 2 * time.Millisecond, value: about(9000, 10, rnd)}
		other := one
		other.every += c.apart
		other.phase, other.value = 30*time.Millisecond, about(10200, 10, rnd)
		w, id := newWire(), "can0/35"
		if c.class != 0 {
			w.claim(35, testName(7, c.class, 140))
			id = testName(7, c.class, 140).String()
		}
		w.plays(rnd, 35, w.now.Add(c.span), one, other)
		d := deviceOf(t, w.state(), id)
		if got := d.Sharing != nil && slices.Equal(d.Sharing.Doubled, []uint32{127250}) && d.Sharing.With == ""; got != c.want {
			t.Errorf("%s: %+v", c.name, d.Sharing)
		}
		if d := deviceOf(t, w.plays(rnd, 35, w.now.Add(time.Minute), one).state(), id); d.Sharing != nil {
			t.Errorf("%s, one minute after the second was taken off: %+v", c.name, d.Sharing)
		}
	}
}
