package boat

import (
	"encoding/binary"
	"fmt"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// epoch is when the test boats' time begins: 2026-05-04 08:00 UTC.
var epoch = event.At(time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC))

// wire collects events in order of time, as a tap would give them.
type wire struct {
	events []event.Event
	now    event.Time
	seq    map[pgn.ID]uint8
}

func newWire() *wire {
	w := &wire{now: epoch, seq: map[pgn.ID]uint8{}}
	w.events = append(w.events, event.Event{Kind: event.KindNetwork,
		Info: &event.Network{ID: "can0", Kind: event.NMEA2000, BitRate: 250_000}})
	return w
}

// wait moves time on.
func (w *wire) wait(d time.Duration) *wire {
	w.now = w.now.Add(d)
	return w
}

func (w *wire) frame(f can.Frame) {
	f.IsExtended = true
	w.events = append(w.events, event.Event{Kind: event.KindFrame, Time: w.now, Frame: f})
}

// send puts a message on the wire, its frames 1 ms apart.
func (w *wire) send(number uint32, src, dst uint8, data ...byte) *wire {
	id := pgn.MakeID(6, number, src, dst)
	frames, err := transport.Split(nil, id, w.seq[id], data)
	if err != nil {
		panic(err)
	}
	w.seq[id]++
	for i, f := range frames {
		if i > 0 {
			w.wait(time.Millisecond)
		}
		w.frame(f)
	}
	return w
}

func (w *wire) claim(src uint8, name pgn.NAME) *wire {
	return w.send(pgnClaim, src, pgn.Global, name.Append(nil)...)
}

func (w *wire) request(src, dst uint8, number uint32) *wire {
	return w.send(pgnRequest, src, dst, byte(number), byte(number>>8), byte(number>>16))
}

func (w *wire) product(src uint8, model, software string) *wire {
	p := make([]byte, productLength)
	binary.LittleEndian.PutUint16(p, 2100)
	binary.LittleEndian.PutUint16(p[2:], 410)
	for i := 4; i < 132; i++ {
		p[i] = 0xFF
	}
	copy(p[4:], model)
	copy(p[36:], software)
	copy(p[68:], "rev B")
	copy(p[100:], fmt.Sprintf("0001%02d", src))
	p[132], p[133] = 1, 2
	return w.send(pgnProduct, src, pgn.Global, p...)
}

// every sends single frames of one PGN n times.
func (w *wire) every(d time.Duration, n int, number uint32, src uint8, data ...byte) *wire {
	for range n {
		w.send(number, src, pgn.Global, data...).wait(d)
	}
	return w
}

func (w *wire) add(ev event.Event) *wire {
	ev.Time = w.now
	w.events = append(w.events, ev)
	return w
}

// feed gives everything to a new boat.
func (w *wire) feed(opt Options) *Boat {
	b := New(opt)
	for i := range w.events {
		b.Feed(w.events[i])
	}
	return b
}

func (w *wire) state() *State { return w.feed(Options{}).State() }

func testName(unique uint32, class, function uint8) pgn.NAME {
	return pgn.NameFields{UniqueNumber: unique, Manufacturer: 2001, DeviceClass: class, DeviceFunction: function, IndustryGroup: 4,
		ArbitraryAddress: true}.NAME()
}

var (
	nameHead  = testName(101, 120, 130)
	nameDepth = testName(102, 60, 130)
	nameGNSS  = testName(103, 60, 145)
)

var (
	heading      = []byte{0x01, 0x10, 0x27, 0xFF, 0x7F, 0xFF, 0x7F, 0xFD}
	headingEmpty = []byte{0x01, 0xFF, 0xFF, 0xFF, 0x7F, 0xFF, 0x7F, 0xFD}
	depth        = []byte{0x01, 0x39, 0x05, 0x00, 0x00, 0x00, 0x00, 0xFF}
)

// What a state is written as, and the schema of that: set by the tests that may import what writes it.
var (
	Write  func(*State) ([]byte, error)
	Schema []byte
)
