package boat

import (
	"testing"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
)

// TestHeartbeat: interval, sequence and states of a device's heartbeat are kept; an answer to a request is no part of the sequence.
func TestHeartbeat(t *testing.T) {
	b := New(Options{})
	start := event.Time(1_780_000_000e9)
	beat := func(second int, seq, states byte) {
		f := can.Frame{ID: 7<<26 | 126993<<8 | 35, IsExtended: true, Length: 8, Data: can.Data{0x60, 0xEA, seq, states, 255, 255, 255, 255}}
		b.Feed(event.Event{Kind: event.KindFrame, Time: start.Add(time.Duration(second) * time.Second), Frame: f})
	}
	for i, seq := range []byte{250, 251, 252, 0, 1, 4} { // two are missing before the last
		beat(60*i, seq, 0xFF)
	}
	beat(301, 255, 0xDD) // asked for
	got := b.State().Devices[0].Heartbeat
	want := Beat{Count: 7, At: start.Add(301 * time.Second), Usual: time.Minute, Lost: 2,
		Controllers: [2]BeatState{BeatPassive, BeatNotAvailable}, Equipment: BeatPassive}
	if got == nil || *got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
}
