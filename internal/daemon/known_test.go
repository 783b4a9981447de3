package daemon

import (
	"io"
	"testing"

	"github.com/rs/zerolog"

	"muster/internal/boat"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/tap"
	"muster/pgn"
)

// TestReplayKnown: a replay takes from an earlier report what no capture holds, and only that.
func TestReplayKnown(t *testing.T) {
	const start = event.Time(1_750_000_000_000_000_000)
	own, mute := pgn.NAME(0xC0148200FF02B059), pgn.NAME(0xC0788700FA401B5B)
	replay := func(known *boat.Report) *boat.Report {
		t.Helper()
		cfg := config.Default()
		cfg.Sources = []config.Source{{Source: "a.log"}}
		r, err := Replay(t.Context(), Options{Config: cfg, Log: zerolog.Nop(), Known: known, Open: func(string, bool) (tap.Source, error) {
			return newFake(io.EOF, []event.Event{network(start, "can0", false), claim(start, own, 0), claim(start.Add(1e9), mute, 35)}), nil
		}}, 0, nil)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	plain := replay(nil)
	if plain.Clock != boat.ClockCapture || plain.Devices[0].Own || plain.Devices[1].Unanswered != "" {
		t.Errorf("without: clock %s, own %v, unanswered %q", plain.Clock, plain.Devices[0].Own, plain.Devices[1].Unanswered)
	}
	known := &boat.Report{Clock: boat.ClockSystem, Devices: []boat.Device{
		{ID: "C0148200FF02B059", Own: true},
		{ID: "C0788700FA401B5B", Unanswered: "asked three times"},
		{ID: "C0AA8200FA402354", Unanswered: "not in this traffic"},
		{ID: "can0:77", Own: true}, // provisional, so without a NAME
	}}
	got := replay(known)
	if got.Clock != boat.ClockSystem || !got.Devices[0].Own || got.Devices[1].Unanswered != "asked three times" || len(got.Devices) != 2 {
		t.Errorf("with: clock %s, own %v, unanswered %q, %d devices", got.Clock, got.Devices[0].Own, got.Devices[1].Unanswered, len(got.Devices))
	}
}
