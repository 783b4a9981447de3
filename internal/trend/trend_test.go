package trend

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
)

var began = event.At(time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC))

// at is a boat with two units at a second: the load of the one is that of its number, its battery has 12 V and a hundredth a minute, and every
// second has one error frame.
func at(second int) *report.Report {
	now := began.Add(time.Duration(second) * time.Second)
	volts := 12 + float64(second/60)/100
	r := &report.Report{TakenAt: now, Networks: []report.Network{{ID: "n2k", Faults: boat.Faults{ErrorFrames: uint64(second)}}}}
	r.Units = []report.Unit{{ID: "a", Aboard: true, Device: report.Device{ID: "a", State: boat.Present, Load: float64(second%60) / 100,
		Transmits: []report.Transmit{{PGN: 127508, Volts: &volts, VoltsAt: now, Instance: new(uint8)}}}},
		{ID: "b", Aboard: true, Device: report.Device{ID: "b", State: boat.Silent, Load: 0.5}}}
	return r
}

// keeper keeps rows as a store does.
type keeper map[string][]byte

func (k keeper) observe(t *Trends, r *report.Report) {
	minute, hour := t.Observe(r)
	for of, row := range map[Resolution]*Row{Minute: minute, Hour: hour} {
		if row != nil {
			k[Key(of, row)] = row.Encode()
			key, text := t.Columns()
			k[key] = text
		}
	}
}

func value(t *testing.T, v View, row int, column string) float64 {
	t.Helper()
	for i, name := range v.Columns {
		if name == column {
			if x, ok := v.Rows[row].Value(i); ok {
				return x
			}
		}
	}
	t.Fatalf("row %d of %d has no %s", row, len(v.Rows), column)
	return 0
}

// TestPowerCut: loads and voltages are means, faults are added, and after a power cut at any moment all is there again but the minute
// under way; the hour goes on.
func TestPowerCut(t *testing.T) {
	whole, kept := New(), keeper{}
	for s := range 2*3600 + 100 {
		if s == 5000 { // cut
			cut := Restore(kept)
			if n, want := len(cut.View(Minute).Rows), 5000/60; n != want {
				t.Fatalf("%d minutes are there again, want %d", n, want)
			}
			whole = cut
		}
		kept.observe(whole, at(s))
	}
	minutes, hours := whole.View(Minute), whole.View(Hour)
	if len(hours.Rows) != 2 {
		t.Fatalf("%d hours", len(hours.Rows))
	}
	for what, got := range map[string][2]float64{
		"load of a minute":    {value(t, minutes, 3, LoadOf+"a"), 29.5},
		"voltage of a minute": {value(t, minutes, 3, VoltsOf+"a/0"), 12.03},
		"faults of a minute":  {value(t, minutes, 3, FaultsOf+"errors"), 60},
		"load of an hour":     {value(t, hours, 0, LoadOf+"a"), 29.5},
		"faults of an hour":   {value(t, hours, 0, FaultsOf+"errors"), 3599},
	} {
		if math.Abs(got[0]-got[1]) > 0.01 {
			t.Errorf("%s is %v, want %v", what, got[0], got[1])
		}
	}
	for _, name := range minutes.Columns {
		if strings.HasPrefix(name, LoadOf+"b") {
			t.Error("a silent unit has a load")
		}
	}
}

// TestBounded: what is shown and kept has its bound, whatever comes; a clock that steps back takes the points with it.
func TestBounded(t *testing.T) {
	trends, kept := New(), keeper{}
	for m := range 4 * 24 * 60 {
		r := at(60 * m)
		for i := range 300 {
			r.Units = append(r.Units, report.Unit{ID: fmt.Sprint("more", i), Aboard: true, Device: report.Device{State: boat.Present, Load: 0.001}})
		}
		kept.observe(trends, r)
	}
	size := 0
	for key, text := range kept {
		size += len(key) + len(text)
	}
	minutes := trends.View(Minute)
	if len(minutes.Columns) > maxColumns || len(minutes.Rows) != Minute.points() || len(trends.minutes.rows) > 2*Minute.points() {
		t.Errorf("%d columns, %d rows", len(minutes.Columns), len(minutes.Rows))
	}
	full := float64(size) / float64(len(kept)) * float64(Minute.points()+Hour.points())
	if full > 8<<20 {
		t.Errorf("when all is full, %.1f MB are kept", full/1e6)
	}
	t.Logf("%d values of %d bytes are kept; %.1f MB when all is full", len(kept), size, full/1e6)
	trends.Observe(at(600))
	if v := trends.View(Minute); len(v.Rows) > 11 {
		t.Errorf("%d minutes are later than the clock", len(v.Rows))
	}
}

// TestRestoreAnything: whatever stands in the store, reading it neither fails nor makes more than there is room for.
func TestRestoreAnything(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		kept := rapid.MapOf(rapid.SampledFrom([]string{"columns", "minute/00001", "hour/00007", "minute/x", "?"}), rapid.SliceOf(rapid.Byte())).Draw(r, "kept")
		trends := Restore(kept)
		trends.Observe(at(1))
	})
	good := keeper{}
	trends := New()
	for s := range 200 {
		good.observe(trends, at(s))
	}
	good["columns"] = []byte("load/a")
	if v := Restore(good).View(Minute); len(v.Rows) != 0 {
		t.Errorf("%d rows are read by other columns", len(v.Rows))
	}
}
