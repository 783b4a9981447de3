package node_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/event"
	"muster/internal/node"
	"muster/internal/sim"
	"muster/internal/transport"
	"muster/pgn"
)

const start = event.Time(1_780_000_000e9)

// aboard is muster's own presence on a simulated boat, moved in event time.
type aboard struct {
	t     *testing.T
	sim   *sim.Sim
	out   node.Outbox
	asker *node.Asker
	bits  int // on the wire since the start
	lost  uint32
	who   []int // senders of the frames that wait for the bus, in order; 0 is the asker
}

func board(t *testing.T, scenario string, seed uint64) *aboard {
	t.Helper()
	sc, err := sim.Parse(t.Context(), "test", []byte(scenario))
	if err != nil {
		t.Fatal(err)
	}
	b := &aboard{t: t, sim: sim.New(sc, seed, start)}
	b.asker = node.NewAsker(node.New(node.OwnOptions(77, "1.0", "T1"), &b.out), node.AskOptions{})
	return b
}

// run goes on until stop returns true or the time is up, and returns the time that passed.
func (b *aboard) run(limit time.Duration, stop func(ev *event.Event) bool) time.Duration {
	b.t.Helper()
	from := b.sim.Now()
	end := from.Add(limit)
	var one [1]event.Event
	for b.sim.Now() < end {
		until := end
		if next := b.asker.Next(); next != 0 && next < until {
			until = next
		}
		n, err := b.sim.ReadUntil(until, one[:])
		if err != nil {
			b.t.Fatal(err)
		}
		now := b.sim.Now()
		if n > 0 {
			switch ev := &one[0]; ev.Kind {
			case event.KindFrame:
				b.bits += transport.FrameBits(&ev.Frame)
				if !ev.Sent {
					b.asker.Feed(ev.Time, &ev.Frame)
				}
			case event.KindDropped:
				b.lost += ev.Count
			}
			if stop != nil && stop(&one[0]) {
				break
			}
		}
		if next := b.asker.Next(); next != 0 && next <= now {
			b.asker.Tick(now)
		}
		for _, f := range b.out.Frames {
			if err := b.sim.Send(f); err != nil {
				b.t.Fatal(err)
			}
			b.who = append(b.who, 0)
		}
		b.out.Reset()
	}
	return b.sim.Now().Sub(from)
}

func TestIdentifySimulatedBackbone(t *testing.T) {
	for _, c := range []struct {
		devices int
		within  time.Duration
	}{{13, 6 * time.Second}, {50, 15 * time.Second}, {251, 90 * time.Second}} {
		t.Run(fmt.Sprint(c.devices), func(t *testing.T) {
			b := board(t, fmt.Sprintf("generate: %d\n", c.devices), 3)
			b.run(3*time.Second, nil) // everybody has an address
			b.asker.Start(b.sim.Now())
			before := b.asker.Stats().Bits
			took := b.run(c.within+time.Second, func(*event.Event) bool {
				addr, ok := b.asker.Node().Address()
				return ok && addr <= 251 && b.asker.Stats().Answers >= uint64(3*c.devices)
			})
			st := b.asker.Stats()
			added := float64(st.Bits-before) / (took.Seconds() * sim.BitRate)
			t.Logf("%d devices: %v, added load %.1f %%, %+v", c.devices, took, added*100, st)
			if took > c.within {
				t.Errorf("took %v, want %v at most; %d questions open, %v", took, c.within, b.asker.Pending(), b.asker.Unanswered())
			}
			if added >= 0.10 {
				t.Errorf("added %.1f %% load, want less than 10 %%", added*100)
			}
			if st.Retries != 0 || st.GivenUp != 0 || b.lost != 0 {
				t.Errorf("retries %d, abandoned %d, lost frames %d; want none", st.Retries, st.GivenUp, b.lost)
			}
		})
	}
}

func TestIdlePresence(t *testing.T) {
	b := board(t, "generate: 5\n", 3)
	b.asker.Start(b.sim.Now())
	b.run(60*time.Second, nil)
	own := 0
	const span = 30 * time.Minute
	b.run(span, func(ev *event.Event) bool {
		if ev.Sent {
			own += transport.FrameBits(&ev.Frame)
		}
		return false
	})
	load := float64(own) / (span.Seconds() * sim.BitRate)
	t.Logf("idle presence: %.5f %% of the bus", load*100)
	if own == 0 || load > 0.001 {
		t.Errorf("idle presence takes %.4f %%, want more than nothing and less than 0.1 %%", load*100)
	}
}

const awkward = `
devices:
  - {id: good, manufacturer: 2001, unique: 1, address: 10, model: Larkfin LF9 display, software: "4.52", installation: [Helm]}
  - {id: mute, manufacturer: 2001, unique: 2, address: 11, model: Larkfin LF9 display, ignores: [126996]}
  - {id: half, manufacturer: 2001, unique: 3, address: 12, model: Larkfin LF9 display, half_product: true}
  - {id: none, manufacturer: 2001, unique: 4, address: 13}
`

func TestGivesUpWithTheReason(t *testing.T) {
	b := board(t, awkward, 3)
	b.run(2*time.Second, nil)
	b.asker.Start(b.sim.Now())
	perDevice := map[uint8]int{}
	b.run(10*time.Minute, func(ev *event.Event) bool {
		if id := pgn.ID(ev.Frame.ID); ev.Kind == event.KindFrame && ev.Sent && id.PGN() == 59904 {
			perDevice[id.Destination()]++
		}
		return false
	})
	want := map[uint8]string{
		11: "126996: no answer, 4 requests",
		12: "126996: the answer broke off, 4 requests",
		13: "126996: refused: not supported",
	}
	got := map[uint8]string{}
	for _, u := range b.asker.Unanswered() {
		got[u.Address] = fmt.Sprintf("%d: %s", u.PGN, u.Reason)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("given up (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(map[uint8]int{10: 3, 11: 6, 12: 6, 13: 3, 255: 1}, perDevice); diff != "" {
		t.Errorf("requests per device in 10 min (-want +got):\n%s", diff)
	}
	if b.asker.Pending() != 0 {
		t.Errorf("%d questions pending", b.asker.Pending())
	}
}

func TestAsksAgainAfterRestart(t *testing.T) {
	b := board(t, awkward[:strings.Index(awkward, "  - {id: mute")]+`
timeline:
  - {at: 100s, do: update, device: good, for: 10s, software: "4.60"}
  - {at: 300s, do: restart-loop, device: good, every: 5s, for: 120s}
`, 3)
	b.run(2*time.Second, nil)
	b.asker.Start(b.sim.Now())
	asked := func(d time.Duration) (n int) {
		b.run(d, func(ev *event.Event) bool {
			if id := pgn.ID(ev.Frame.ID); ev.Kind == event.KindFrame && ev.Sent && id.PGN() == 59904 && ev.Frame.Data[0] == 0x14 {
				n++
			}
			return false
		})
		return n
	}
	if n := asked(90 * time.Second); n != 1 {
		t.Errorf("asked for product information %d times at first, want once", n)
	}
	if n := asked(100 * time.Second); n != 1 {
		t.Errorf("asked %d times around a restart, want once", n)
	}
	if n := asked(240 * time.Second); n < 1 || n > 6 {
		t.Errorf("asked %d times in 120 s of restarts every 5 s, want 1 to 6", n)
	}
}

// TestTwinsAreNotAskedForEver lets two devices of one NAME take turns in being the one that is known.
func TestTwinsAreNotAskedForEver(t *testing.T) {
	b := board(t, `
devices:
  - {id: a, manufacturer: 2003, unique: 8, address: 20, model: Sanderling Tavrik 7 monitor, sends: [{pgn: 127508}]}
timeline:
  - {at: 1s, do: duplicate-name, device: a, address: 60}
`, 3)
	b.asker.Start(b.sim.Now())
	b.run(2*time.Minute, nil)
	before := b.asker.Stats().Requests
	b.run(10*time.Minute, nil)
	if n := b.asker.Stats().Requests - before; n > 10 {
		t.Errorf("%d requests in 10 min long after the twins appeared", n)
	}
}

// TestTwoMusters puts two presences on one bus: both get an address and both find every device.
func TestTwoMusters(t *testing.T) {
	b := board(t, "generate: 10\n", 3)
	var out node.Outbox
	other := node.NewAsker(node.New(node.OwnOptions(78, "1.0", "T2"), &out), node.AskOptions{})
	b.asker.Start(b.sim.Now())
	other.Start(b.sim.Now())
	var mine [2]int
	b.run(60*time.Second, func(ev *event.Event) bool {
		if ev.Kind == event.KindFrame && ev.Sent {
			// Both send through the simulator: each must receive what the other sent.
			from := b.who[0]
			b.who = b.who[1:]
			mine[from]++
			if from == 0 {
				other.Feed(ev.Time, &ev.Frame)
			} else {
				b.asker.Feed(ev.Time, &ev.Frame)
			}
		} else if ev.Kind == event.KindFrame {
			other.Feed(ev.Time, &ev.Frame)
		}
		if next := other.Next(); next != 0 && next <= ev.Time {
			other.Tick(ev.Time)
		}
		for _, f := range out.Frames {
			if err := b.sim.Send(f); err != nil {
				t.Fatal(err)
			}
			b.who = append(b.who, 1)
		}
		out.Reset()
		return false
	})
	x, okX := b.asker.Node().Address()
	y, okY := other.Node().Address()
	if !okX || !okY || x == y {
		t.Errorf("addresses %d (%v) and %d (%v)", x, okX, y, okY)
	}
	if a, c := b.asker.Stats().Answers, other.Stats().Answers; a < 33 || c < 33 {
		t.Errorf("answers %d and %d, want 33 each: ten devices and each other", a, c)
	}
	if mine[0] > 150 || mine[1] > 150 {
		t.Errorf("frames sent %v, want no storm", mine)
	}
}

// TestAsksWithoutSurvey begins with an address and asks for claims from there.
func TestAsksWithoutSurvey(t *testing.T) {
	b := board(t, "generate: 10\n", 3)
	o := node.OwnOptions(77, "1.0", "T1")
	o.Survey = false
	b.asker = node.NewAsker(node.New(o, &b.out), node.AskOptions{})
	b.run(2*time.Second, nil)
	b.asker.Start(b.sim.Now())
	b.run(10*time.Second, nil)
	if n := b.asker.Stats().Answers; n != 30 {
		t.Errorf("%d answers, want 30", n)
	}
	b.asker.Start(b.sim.Now()) // the interface went down and came back
	b.run(10*time.Second, nil)
	if _, ok := b.asker.Node().Address(); !ok || b.asker.Pending() != 0 {
		t.Errorf("after a second start: %v, %d pending", b.asker.Node().State(), b.asker.Pending())
	}
}

// TestIdentifyOnBusyBus asks on a bus under high load, and on one that is nearly full, which is left alone.
func TestIdentifyOnBusyBus(t *testing.T) {
	for load, want := range map[string]uint64{"0.65": 60, "0.95": 0} {
		b := board(t, "generate: 20\nload: "+load+"\n", 3)
		b.run(3*time.Second, nil)
		b.asker.Start(b.sim.Now())
		b.run(40*time.Second, nil)
		if st := b.asker.Stats(); st.Answers != want || st.Retries != 0 {
			t.Errorf("load %s: %+v, want %d answers without a retry", load, st, want)
		}
	}
}
