package release

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"go.einride.tech/can"

	"muster/internal/event"
	"muster/pgn"
)

func frame(at event.Time, number uint32, src uint8, data ...byte) *event.Event {
	ev := &event.Event{Kind: event.KindFrame, Time: at, Frame: can.Frame{ID: uint32(pgn.MakeID(6, number, src, pgn.Global)), IsExtended: true, Length: uint8(len(data))}}
	copy(ev.Frame.Data[:], data)
	return ev
}

func volts(at event.Time, src, instance uint8, v float64) *event.Event {
	n := uint16(math.Round(v * 100))
	return frame(at, batteryPGN, src, instance, byte(n), byte(n>>8), 0xFF, 0x7F, 0xFF, 0xFF, 0xFF)
}

func TestGauge(t *testing.T) {
	sec := func(n float64) event.Time { return start.Add(time.Duration(n * float64(time.Second))) }
	for _, tt := range []struct {
		name string
		feed []*event.Event
		at   event.Time
		want Conditions
	}{
		{"nothing", nil, sec(0), Conditions{}},
		// instance, voltage 0x04EC = 12.60 V, current, temperature, sequence
		{"voltage", []*event.Event{frame(sec(0), 127508, 20, 0x00, 0xEC, 0x04, 0xC5, 0xFF, 0x69, 0x78, 0xF3)}, sec(1), Conditions{SupplyVolts: ptr(12.6)}},
		{"not available is not zero", []*event.Event{frame(sec(0), 127508, 20, 0x00, 0xFF, 0x7F, 0xFF, 0x7F, 0xFF, 0xFF, 0xFF)}, sec(1), Conditions{}},
		{"too old", []*event.Event{volts(sec(0), 20, 0, 12.6)}, sec(11), Conditions{}},
		{"lowest of two batteries", []*event.Event{volts(sec(0), 20, 0, 12.6), volts(sec(0), 20, 1, 12.1), volts(sec(0), 21, 1, 13)}, sec(1), Conditions{SupplyVolts: ptr(12.1)}},
		{"each battery keeps its own", []*event.Event{volts(sec(0), 20, 1, 11.5), volts(sec(6), 20, 0, 12.6), volts(sec(9), 20, 0, 12.6)}, sec(10), Conditions{SupplyVolts: ptr(11.5)}},
		{"a sag between two looks", []*event.Event{volts(sec(0), 20, 0, 12.6), volts(sec(1), 20, 0, 10.9), volts(sec(2), 20, 0, 12.6)}, sec(4), Conditions{SupplyVolts: ptr(10.9)}},
		{"a sag is over", []*event.Event{volts(sec(0), 20, 0, 10.9), volts(sec(6), 20, 0, 12.6), volts(sec(12), 20, 0, 12.6), volts(sec(18), 20, 0, 12.6)}, sec(19), Conditions{SupplyVolts: ptr(12.6)}},
		// engine instance, speed 0x0C80 = 800 rpm; the other engine is stopped
		{"engines", []*event.Event{frame(sec(0), 127488, 22, 0, 0x00, 0x00, 0xFF, 0xFF, 0x7F, 0xFF, 0xFF), frame(sec(0), 127488, 22, 1, 0x80, 0x0C, 0xFF, 0xFF, 0x7F, 0xFF, 0xFF)}, sec(1), Conditions{EngineRPM: ptr(800.0)}},
		{"engine stands", []*event.Event{frame(sec(0), 127488, 22, 0, 0x00, 0x00, 0xFF, 0xFF, 0x7F, 0xFF, 0xFF)}, sec(1), Conditions{EngineRPM: ptr(0.0)}},
		// sequence, reference, course, speed 0x0102 = 2.58 m/s
		{"speed", []*event.Event{frame(sec(0), 129026, 12, 0, 0xFC, 0xFF, 0xFF, 0x02, 0x01, 0xFF, 0xFF)}, sec(1), Conditions{SpeedMS: ptr(2.58)}},
		{"short", []*event.Event{frame(sec(0), 127508, 20, 0, 0xEC)}, sec(1), Conditions{}},
		{"not a data frame", []*event.Event{{Kind: event.KindErrorFrame}, {Kind: event.KindLine}}, sec(1), Conditions{}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var g Gauge
			for _, ev := range tt.feed {
				g.Feed(ev)
			}
			if d := cmp.Diff(tt.want, g.Conditions(tt.at), cmpopts.EquateApprox(0, 1e-9),
				cmpopts.IgnoreFields(Conditions{}, "SupplySince", "TrendSince", "EngineSince", "SpeedSince")); d != "" {
				t.Error(d)
			}
		})
	}
}

// TestGaugeSince: a quantity is received since its source began without a break, not since the latest frame.
func TestGaugeSince(t *testing.T) {
	sec := func(n int) event.Time { return start.Add(time.Duration(n) * time.Second) }
	var g Gauge
	for _, n := range []int{0, 5, 14, 40, 45, 52} { // silent from 14 to 40
		g.Feed(volts(sec(n), 20, 0, 12.6))
		g.Feed(frame(sec(n), 129026, 12, 0, 0xFC, 0xFF, 0xFF, 0x02, 0x01, 0xFF, 0xFF))
	}
	g.Feed(volts(sec(50), 21, 1, 12.1)) // the lowest counts
	c := g.Conditions(sec(53))
	if c.SupplySince != sec(50) || c.SpeedSince != sec(40) || c.EngineSince != 0 || c.TrendSince != 0 {
		t.Errorf("%v %v %v %v", c.SupplySince, c.SpeedSince, c.EngineSince, c.TrendSince)
	}
}

// The gauge reads fields by key; a key that the message set does not have would read as "not known".
func TestGaugeKeys(t *testing.T) {
	for number, keys := range map[uint32][]string{batteryPGN: {"battery_instance", "voltage"}, enginePGN: {"engine_instance", "engine_speed"}, speedPGN: {"sog"}} {
		def := pgn.Lookup(number)
		for _, k := range keys {
			if !slices.ContainsFunc(def.Fields, func(f pgn.Field) bool { return f.Key == k }) {
				t.Errorf("message %d has no field %q", number, k)
			}
		}
	}
}

func TestGaugeTrend(t *testing.T) {
	var g Gauge
	at := start
	for i := range 3600 {
		at = start.Add(time.Duration(i) * time.Second)
		g.Feed(volts(at, 20, 0, 13-1.2*float64(i)/3600)) // 1.2 V in an hour
		if c := g.Conditions(at); i < 600 && c.SupplyTrend != nil {
			t.Fatalf("a trend after %d s", i)
		}
	}
	c := g.Conditions(at)
	if c.SupplyTrend == nil || math.Abs(*c.SupplyTrend+1.2) > 0.06 {
		t.Fatalf("%v", c.SupplyTrend)
	}
	if len(g.minutes) > trendMinutes {
		t.Errorf("%d minutes kept", len(g.minutes))
	}
	g.Feed(volts(start, 20, 0, 13)) // time goes back
	if c := g.Conditions(start); c.SupplyTrend != nil || c.SupplyVolts == nil {
		t.Errorf("%+v", c)
	}
}

// A clock that is set moves what was read; what is not known to have moved does not count while it lies in the
// future.
func TestGaugeClockIsSet(t *testing.T) {
	for _, by := range []time.Duration{56 * 365 * 24 * time.Hour, -time.Hour} {
		var g Gauge
		at := start
		for range 1200 {
			at = at.Add(time.Second)
			g.Feed(volts(at, 20, 0, 12.6))
		}
		before := g.Conditions(at)
		g.Shift(by)
		at = at.Add(by)
		g.Feed(volts(at.Add(time.Second), 20, 0, 12.6))
		after := g.Conditions(at.Add(time.Second))
		if after.SupplyVolts == nil || after.SupplySince != before.SupplySince.Add(by) || after.SupplyTrend == nil || math.Abs(*after.SupplyTrend) > 1e-6 {
			t.Errorf("by %v: %+v, before %+v", by, after, before)
		}
	}
	var g Gauge
	g.Feed(volts(start, 20, 0, 12.6))
	if c := g.Conditions(start.Add(-time.Hour)); c.SupplyVolts != nil {
		t.Errorf("a voltage of before the clock went back: %v", *c.SupplyVolts)
	}
}

func TestGaugeIsBounded(t *testing.T) {
	var g Gauge
	for src := range 252 {
		for instance := range 250 {
			g.Feed(volts(start, uint8(src), uint8(instance), 12))
		}
	}
	if len(g.volts) != gaugeSources {
		t.Errorf("%d sources kept", len(g.volts))
	}
	g.Feed(volts(start.Add(time.Minute), 251, 251, 11))
	if c := g.Conditions(start.Add(time.Minute)); c.SupplyVolts == nil || *c.SupplyVolts != 11 {
		t.Error("a new source finds no room although the old ones are silent")
	}
}

func TestGaugeAllocates(t *testing.T) {
	var g Gauge
	ev := volts(start, 20, 0, 12.6)
	g.Feed(ev)
	if n := testing.AllocsPerRun(100, func() { ev.Time += event.Time(time.Second); g.Feed(ev) }); n != 0 {
		t.Errorf("%v allocations per frame", n)
	}
}

func FuzzGauge(f *testing.F) {
	f.Add(uint32(pgn.MakeID(6, batteryPGN, 20, pgn.Global)), []byte{0, 0xEC, 4, 0xC5, 0xFF, 0x69, 0x78, 0xF3}, int64(start))
	f.Add(uint32(pgn.MakeID(6, speedPGN, 20, pgn.Global)), []byte{0}, int64(0))
	f.Fuzz(func(t *testing.T, id uint32, data []byte, at int64) {
		var g Gauge
		ev := event.Event{Kind: event.KindFrame, Time: event.Time(at), Frame: can.Frame{ID: id, IsExtended: true, Length: uint8(min(len(data), 255))}}
		copy(ev.Frame.Data[:], data)
		g.Feed(&ev)
		if c := g.Conditions(ev.Time); c.SupplyVolts != nil && math.IsNaN(*c.SupplyVolts) {
			t.Error("a voltage that is no number")
		}
	})
}

func BenchmarkGauge(b *testing.B) {
	var g Gauge
	ev := volts(start, 20, 0, 12.6)
	b.ReportAllocs()
	for b.Loop() {
		ev.Time += event.Time(10 * time.Millisecond)
		g.Feed(ev)
	}
}
