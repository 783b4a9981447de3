package boat

import (
	"encoding/binary"
	"testing"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/pgn"
)

// TestCommands: which device changed a setting of which is kept with its values and its answer, and stays in the
// unit's life after the change.
func TestCommands(t *testing.T) {
	b := New(Options{})
	b.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "can0", Kind: event.NMEA2000, BitRate: 250_000}})
	at := event.Time(1_780_000_000e9)
	frame := func(id uint32, data ...byte) {
		at = at.Add(100 * time.Millisecond)
		f := can.Frame{ID: id, IsExtended: true, Length: uint8(len(data))}
		copy(f.Data[:], data)
		b.Feed(event.Event{Kind: event.KindFrame, Time: at, Frame: f})
	}
	group := func(from, to uint32, data ...byte) { // of up to 13 bytes
		rest := append([]byte{0x20, byte(len(data))}, data...)
		frame(3<<26|0x1ED<<16|to<<8|from, rest[:min(8, len(rest))]...)
		if len(rest) > 8 {
			frame(3<<26|0x1ED<<16|to<<8|from, append([]byte{0x21}, rest[8:]...)...)
		}
	}
	claim := func(from uint32, n pgn.NAME) {
		frame(0x18EEFF00|from, binary.LittleEndian.AppendUint64(nil, uint64(n))...)
	}
	display := pgn.NameFields{UniqueNumber: 1, Manufacturer: 2001, DeviceClass: 120, DeviceFunction: 130, IndustryGroup: 4}.NAME()
	monitor := pgn.NameFields{UniqueNumber: 2, Manufacturer: 2003, DeviceClass: 35, DeviceFunction: 170, IndustryGroup: 4}
	claim(2, display)
	claim(20, monitor.NAME())

	group(2, 20, 1, 0x00, 0xEE, 0, 0xF8, 1, 3, 5) // command, address claim, field 3
	group(20, 2, 2, 0x00, 0xEE, 0, 0, 1, 0)       // acknowledged
	group(2, 20, 1, 0x14, 0xF2, 1, 0xF8, 1, 1, 9)
	group(20, 2, 2, 0x14, 0xF2, 1, 0x03, 1, 0) // access denied
	group(2, 20, 1, 0x14, 0xF2, 1, 0xF8, 1, 1, 8)
	frame(0x18E80000|2<<8|20, 1, 0xFF, 0xFF, 0xFF, 0xFF, 0x00, 0xED, 0x01) // takes no group functions
	group(2, 20, 1, 0x14, 0xF2, 1, 0xF8, 1, 1, 7)                          // not answered
	moved := monitor
	moved.DeviceInstance = 5
	claim(20, moved.NAME())

	s := b.State()
	s.FindUnits(nil, 0)
	u := s.Unit(moved.NAME().String())
	if u == nil {
		t.Fatal("no unit")
	}
	type brief struct {
		PGN     uint32
		Outcome Outcome
		Why     string
	}
	want := []brief{{60928, Accepted, ""}, {127508, Refused, "access denied"}, {127508, Refused, "it does not support group functions"}, {127508, "", ""}}
	if len(u.Life.Commands) != len(want) {
		t.Fatalf("commands %+v", u.Life.Commands)
	}
	for i, c := range u.Life.Commands {
		if got := (brief{c.PGN, c.Outcome, c.Why}); got != want[i] || c.From != display.String() || c.FromAddress != 2 || c.ToAddress != 20 || c.At == 0 {
			t.Errorf("%d: %+v, want %+v", i, c, want[i])
		}
	}
	if what := u.Life.Commands[0].What; what != "ISO Address Claim: ECU instance / device instance lower 5" {
		t.Errorf("what: %q", what)
	}
	data := binary.LittleEndian.AppendUint64(nil, uint64(moved.NAME())) // a commanded address, to all
	frame(0x1CECFF02, 0x20, 9, 0, 2, 0xFF, 0xD8, 0xFE, 0)
	frame(0x1CEBFF02, append([]byte{1}, data[:7]...)...)
	frame(0x1CEBFF02, 2, data[7], 33, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
	claim(33, moved.NAME())
	list := b.State().Networks[0].Commands
	if c := list[len(list)-1]; c.PGN != 65240 || c.To != moved.NAME().String() || c.Outcome != Accepted || c.What != "take source address 33" {
		t.Errorf("commanded address: %+v", c)
	}
	for range 3 * maxCommands {
		group(2, 20, 1, 0x14, 0xF2, 1, 0xF8, 1, 1, 7)
	}
	if n := len(b.State().Networks[0].Commands); n != maxCommands {
		t.Errorf("%d commands are kept, want %d", n, maxCommands)
	}
}
