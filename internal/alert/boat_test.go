package alert

import (
	"encoding/json"
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

func TestWatchOverABoat(t *testing.T) {
	run := func(byRun bool) (*boat.Report, []string) {
		w := NewWatch(boat.New(boat.Options{}), check.DefaultSettings(), DefaultSettings())
		var got []string
		w.OnChange = func(c Change) { got = append(got, c.At.Sub(t0).String()+" "+string(c.Kind)+" "+c.Alert.Check) }
		fed := 0
		for events := traffic(); len(events) > 0; {
			n := 0
			if byRun {
				n = w.FeedFrames(0, 0, events)
			}
			if fed += n; n == 0 {
				w.Feed(&events[0])
				n = 1
			}
			events = events[n:]
		}
		if byRun && fed < 3500 {
			t.Errorf("only %d frames were fed by the run", fed)
		}
		w.Finish()
		return w.Report(), got
	}
	report, got := run(false)
	want := []string{
		"10s raised many-sources",
		"10s raised wrong-bit-rate",
		"1m10s raised not-identified",
		"1m40s cleared many-sources",
		"3m0s raised silent",
		"4m10s raised many-sources",
		"4m40s cleared silent",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("changes (-want +got)\n%s", diff)
	}
	again, _ := run(true)
	one, err := json.Marshal(report)
	if err != nil {
		t.Fatal(err)
	}
	two, err := json.Marshal(again)
	if err != nil {
		t.Fatal(err)
	}
	if string(one) != string(two) {
		t.Error("the same traffic gave two reports")
	}
}

// BenchmarkWatch is a replay through boat, checks and book: an event is a tenth of a second of two devices.
func BenchmarkWatch(b *testing.B) {
	events := traffic()
	b.ReportAllocs()
	for b.Loop() {
		w := NewWatch(boat.New(boat.Options{}), check.DefaultSettings(), DefaultSettings())
		for i := range events {
			w.Feed(&events[i])
		}
		w.Finish()
	}
	b.ReportMetric(float64(len(events)*b.N)/b.Elapsed().Seconds(), "events/s")
}
