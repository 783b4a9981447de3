package daemon

import (
	"encoding/binary"
	"errors"
	"testing"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/internal/node"
	"muster/pgn"
)

// TestNoAddressToAskFrom: on a backbone whose addresses are all taken nothing can be asked, and that is a failed source.
func TestNoAddressToAskFrom(t *testing.T) {
	in := &input{spec: "can0", ask: &asking{}}
	in.ask.asker = node.NewAsker(node.New(node.OwnOptions(1, "test", "1"), &in.ask.out), node.AskOptions{})
	s := &sources{}
	s.list.Store(&[]*input{in})
	now := event.Time(1_780_000_000e9)
	in.ask.asker.Start(now)
	for address := range pgn.MaxAddr + 1 {
		f := can.Frame{ID: uint32(pgn.MakeID(6, 60928, address, pgn.Global)), IsExtended: true, Length: 8}
		binary.LittleEndian.PutUint64(f.Data[:], uint64(address)+1) // the lowest NAMEs win
		in.ask.asker.Feed(now, &f)
	}
	if err := s.noAddress(); err != nil {
		t.Fatalf("before it gave up: %v", err)
	}
	for range 40 {
		now = now.Add(100 * time.Millisecond)
		in.ask.asker.Tick(now)
	}
	e, ok := errors.AsType[*SourceError](s.noAddress())
	if !ok || e.BadInput || e.Source != "can0" {
		t.Errorf("%v, state %s", s.noAddress(), in.ask.asker.Node().State())
	}
}
