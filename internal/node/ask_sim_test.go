package node_test

import (
	"fmt"
	"testing"
	"time"

	"muster/internal/event"
	"muster/internal/node"
	"muster/internal/sim"
	"muster/internal/transport"
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
}

func board(t *testing.T, scenario string, seed uint64) *aboard {
	t.Helper()
	sc, err := sim.Parse("test", []byte(scenario))
	if err != nil {
		t.Fatal(err)
	}
	b := &aboard{t: t, sim: sim.New(sc, seed, start)}
	b.asker = node.NewAsker(node.New(node.OwnOptions(77, "1.0", "T1"), &b.out), node.AskOptions{})
	return b
}

// run goes on until stop says so or the time is up, and returns the time that passed.
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
				t.Errorf("retries %d, given up %d, lost frames %d; want none", st.Retries, st.GivenUp, b.lost)
			}
		})
	}
}
