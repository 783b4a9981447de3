package node

import (
	"testing"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/pgn"
)

// TestAskingGivesWay: on a bus that is nearly full nothing is asked, and as soon as it has room again everything is.
func TestAskingGivesWay(t *testing.T) {
	for _, tt := range []struct {
		name string
		each time.Duration // one frame of 8 bytes this often
		asks bool
	}{{"quiet", 50 * time.Millisecond, true}, {"busy", 900 * time.Microsecond, true}, {"full", 600 * time.Microsecond, false}} {
		t.Run(tt.name, func(t *testing.T) {
			var out Outbox
			a := NewAsker(New(OwnOptions(1, "test", "1"), &out), AskOptions{})
			now := event.Time(1_780_000_000e9)
			feed := func(id pgn.ID, data ...byte) {
				f := can.Frame{ID: uint32(id), IsExtended: true, Length: uint8(len(data))}
				copy(f.Data[:], data)
				a.Feed(now, &f)
			}
			run := func(span, each time.Duration) (requests int) {
				for end := now.Add(span); now < end; now = now.Add(each) {
					feed(pgn.MakeID(2, 127250, 35, pgn.Global), 1, 2, 3, 4, 5, 6, 7, 8)
					a.Tick(now)
					for _, f := range out.Frames {
						if pgn.ID(f.ID).PGN() == pgnRequest {
							requests++
						}
					}
					out.Reset()
				}
				return requests
			}
			run(3*time.Second, tt.each) // the load is known before we come
			a.Start(now)
			run(2*time.Second, tt.each) // our own claim, and who is there
			name := pgn.NameFields{UniqueNumber: 7, Manufacturer: 2001, DeviceClass: 60, DeviceFunction: 140, IndustryGroup: 4, ArbitraryAddress: true}.NAME()
			feed(pgn.MakeID(6, pgnClaim, 35, pgn.Global), name.Append(nil)...)
			if n := run(5*time.Second, tt.each); (n > 0) != tt.asks {
				t.Errorf("%d requests, asks %v", n, tt.asks)
			}
			if n := run(10*time.Second, 50*time.Millisecond); n == 0 && !tt.asks {
				t.Error("nothing is asked when the bus has room again")
			}
		})
	}
}
