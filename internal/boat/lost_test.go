package boat

import (
	"testing"
	"time"

	"muster/internal/event"
	"muster/pgn"
)

// Messages that never came are counted for the network and for the device whose counter shows it, and not those sent
// while there was no listener.
func TestLostMessages(t *testing.T) {
	const position = 129029
	number, id := uint32(position), pgn.MakeID(6, position, 35, pgn.Global)
	w := newWire().claim(35, nameHead).every(time.Second, 25, number, 35, make([]byte, 43)...)
	w.seq[id] += 2
	w.wait(2*time.Second).every(time.Second, 5, number, 35, make([]byte, 43)...)
	s := w.state()
	if n := s.Networks[0]; n.Faults.LostMessages != 2 || n.Recent.LostMessages != 2 || n.FaultSince.BrokenSequences == 0 || n.Faults.BrokenSequences != 0 {
		t.Errorf("faults %+v, recently %+v, since %v", n.Faults, n.Recent, n.FaultSince)
	}
	if d := s.Devices[0]; d.LostMessages != 2 {
		t.Errorf("device %s lost %d", d.ID, d.LostMessages)
	}
	w.claim(35, nameHead)
	w.seq[id] += 3
	w.wait(3*time.Second).every(time.Second, 20, number, 35, make([]byte, 43)...)
	w.add(event.Event{Kind: event.KindDown}).wait(4 * time.Second).add(event.Event{Kind: event.KindUp})
	w.seq[id] += 4
	w.every(time.Second, 20, number, 35, make([]byte, 43)...)
	if n := w.state().Networks[0]; n.Faults.LostMessages != 2 {
		t.Errorf("%d lost after a claim and while the source was down", n.Faults.LostMessages)
	}
}
