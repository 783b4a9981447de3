package alert

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.einride.tech/can"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/pgn"
)

var _ Model = (*boat.Boat)(nil)

// traffic is five minutes of two devices that send heading ten times a second; the second one stops after a minute and comes back
// after four.
func traffic() []event.Event {
	events := []event.Event{{Kind: event.KindNetwork, Info: &event.Network{ID: "can0", Kind: event.NMEA2000, BitRate: 500_000}}}
	frame := func(at event.Time, number uint32, src uint8, data []byte) {
		f := can.Frame{ID: uint32(pgn.MakeID(2, number, src, pgn.Global)), Length: uint8(len(data)), IsExtended: true}
		copy(f.Data[:], data)
		events = append(events, event.Event{Kind: event.KindFrame, Time: at, Frame: f})
	}
	for i := range uint8(2) {
		name := pgn.NameFields{UniqueNumber: 100 + uint32(i), Manufacturer: 2001, DeviceClass: 60, DeviceFunction: 140, DeviceInstance: i, IndustryGroup: 4, ArbitraryAddress: true}.NAME()
		frame(at(int(i)+1), 60928, 35+i, name.Append(nil))
	}
	for ms := 3000; ms < 300_000; ms += 100 {
		now := t0.Add(time.Duration(ms) * time.Millisecond)
		frame(now, 127250, 35, []byte{0x01, 0x10, 0x27, 0xFF, 0x7F, 0xFF, 0x7F, 0xFD})
		if ms < 60_000 || ms >= 240_000 {
			frame(now.Add(time.Millisecond), 127250, 36, []byte{0x01, 0x10, 0x27, 0xFF, 0x7F, 0xFF, 0x7F, 0xFD})
		}
	}
	return events
}

// judgedBoat notes when the checks ran on it.
type judgedBoat struct {
	*boat.Boat
	judged []event.Time
}

func (b *judgedBoat) State() *boat.State {
	b.judged = append(b.judged, b.Now())
	return b.Boat.State()
}

// watched is what a Watch over a boat makes of events that come so many at a time.
func watched(events []event.Event, batch int) (last *boat.State, changes []string, judged []event.Time) {
	b := &judgedBoat{Boat: boat.New(boat.Options{})}
	w := NewWatch(b, check.DefaultSettings(), DefaultSettings())
	w.OnChange = func(c Change) { changes = append(changes, c.At.Sub(t0).String()+" "+string(c.Kind)+" "+c.Alert.Check) }
	for some := range slices.Chunk(events, batch) {
		w.Feed(some...)
	}
	w.Finish()
	return w.State(), changes, b.judged
}

func TestWatchOverABoat(t *testing.T) {
	last, got, _ := watched(traffic(), 1)
	want := []string{
		"10s raised multiple-sources",
		"10s raised wrong-bit-rate",
		"1m10s raised not-identified",
		"1m40s cleared multiple-sources",
		"3m0s raised silent",
		"4m10s raised multiple-sources",
		"4m40s cleared silent",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("changes (-want +got)\n%s", diff)
	}
	again, _, _ := watched(traffic(), len(traffic()))
	if diff := cmp.Diff(last, again); diff != "" {
		t.Errorf("the same traffic gave two states\n%s", diff)
	}
}

// TestWatchTwoNetworks: two networks, of which one is read after the other, are checked alike in batches and one by
// one, however late the second comes.
func TestWatchTwoNetworks(t *testing.T) {
	all := traffic()
	for _, span := range []time.Duration{time.Millisecond, 130 * time.Millisecond, time.Second, 7350 * time.Millisecond, 45350 * time.Millisecond} {
		t.Run(span.String(), func(t *testing.T) {
			var events []event.Event
			for i, j := 0, 0; i < len(all); i = j {
				for j = i + 1; j < len(all) && all[j].Time.Sub(t0)/span == all[i].Time.Sub(t0)/span; j++ {
				}
				events = append(events, all[i:j]...)
				for _, e := range all[i:j] {
					if e.Network = 1; e.Kind == event.KindNetwork {
						e.Info = &event.Network{ID: "can1", Kind: event.NMEA2000}
					}
					events = append(events, e)
				}
			}
			// A third network sends two frames within a second, the second of them more than a minute late.
			put := func(when event.Time, e event.Event) {
				e.Network = 2
				events = slices.Insert(events, slices.IndexFunc(events, func(e event.Event) bool { return e.Time >= when }), e)
			}
			frame := all[len(all)-1]
			frame.Time = at(100)
			put(at(100), frame)
			frame.Time += event.Time(time.Second / 2)
			put(at(170), frame)

			last, changes, judged := watched(events, 1)
			for _, batch := range []int{7, 256, len(events)} {
				again, same, alike := watched(events, batch)
				if diff := cmp.Diff(changes, same); diff != "" || len(changes) < 10 {
					t.Errorf("%d changes (-one by one +by %d)\n%s", len(changes), batch, diff)
				}
				if diff := cmp.Diff(judged, alike); diff != "" {
					t.Errorf("judged at (-one by one +by %d)\n%s", batch, diff)
				}
				if diff := cmp.Diff(last, again); diff != "" {
					t.Errorf("the same traffic gave two states\n%s", diff)
				}
			}
		})
	}
}

// BenchmarkWatch is a replay through boat, checks and book: an event is a tenth of a second of two devices.
func BenchmarkWatch(b *testing.B) {
	events := traffic()
	b.ReportAllocs()
	for b.Loop() {
		w := NewWatch(boat.New(boat.Options{}), check.DefaultSettings(), DefaultSettings())
		w.Feed(events...)
		w.Finish()
	}
	b.ReportMetric(float64(len(events)*b.N)/b.Elapsed().Seconds(), "events/s")
}
