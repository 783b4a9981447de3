package daemon

import (
	"context"
	"io"
	"os"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"go.einride.tech/can"

	"muster/internal/boat"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/tap"
	"muster/pgn"
)

// TestReplayKnown: a replay takes from an earlier report what no capture holds, and only that.
func TestReplayKnown(t *testing.T) {
	const start = event.Time(1_750_000_000_000_000_000)
	own, mute := pgn.NAME(0xC0148200FF02B059), pgn.NAME(0xC0788700FA401B5B)
	replay := func(known *report.Report) *report.Report {
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
	known := &report.Report{Clock: boat.ClockSystem, Devices: []report.Device{
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

// endedSource is a simulation that is ended just when muster is about to ask there.
type endedSource struct {
	*fakeSource
	end context.CancelFunc
}

func (s *endedSource) Send(can.Frame) error {
	s.end()
	<-s.closed
	return os.ErrClosed
}

// TestReplayEndedAmidAsking: what can no longer be sent because the replay was ended is no fault.
func TestReplayEndedAmidAsking(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var traffic [][]event.Event
	for at := t0; at < t0.Add(10*time.Second); at = at.Add(100 * time.Millisecond) {
		traffic = append(traffic, []event.Event{claim(at, nameA, 35)})
	}
	traffic[0][0] = network(t0, "can0", false)
	src := &endedSource{newFake(io.EOF, traffic...), cancel}
	opt := options("off", map[string]tap.Source{"can0": src}, "can0")
	opt.Config.Sources[0].Ask = true
	r, err := Replay(ctx, opt, 0, nil)
	if err != nil || !src.isClosed() || ctx.Err() == nil || len(r.Networks) != 1 {
		t.Errorf("%+v: %v", r.Networks, err)
	}
}
