package check_test

import (
	"encoding/binary"
	"slices"
	"testing"
	"time"

	"go.einride.tech/can"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
)

// sent is one message of a device.
type sent struct {
	pgn  uint32
	data []byte
}

// pair runs a backbone on which two devices send one message each, and gives what the checks find.
func pair(first, second sent) []check.Finding {
	b := boat.New(boat.Options{Clock: boat.ClockCapture})
	at := event.Time(1_780_000_000e9)
	feed := func(id uint32, data []byte) {
		ev := event.Event{Kind: event.KindFrame, Time: at, Frame: can.Frame{ID: id, IsExtended: true, Length: uint8(len(data))}}
		copy(ev.Frame.Data[:], data)
		b.Feed(ev)
		at = at.Add(50 * time.Millisecond)
	}
	b.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "can0", Kind: event.NMEA2000, BitRate: 250_000}})
	for i := range uint32(2) { // NAMEs of the invented manufacturer 2002
		feed(0x18EEFF00|(35+i), binary.LittleEndian.AppendUint64(nil, 0xC0_96_82_00_00_00_00_00|2002<<21|uint64(i+1)))
	}
	for range 20 {
		feed(5<<26|first.pgn<<8|35, first.data)
		feed(5<<26|second.pgn<<8|36, second.data)
	}
	return check.Judge(check.All(), b.State(), b.Now(), nil).Findings
}

// TestMeasuresOfMessages feeds the messages themselves: what a message measures must reach both checks of sources, and what it
// measures elsewhere, or leaves empty, must reach neither. Layouts: the message set's table of fields.
func TestMeasuresOfMessages(t *testing.T) {
	u16 := func(v uint16) []byte { return binary.LittleEndian.AppendUint16(nil, v) }
	join := slices.Concat[[]byte]
	temperature := func(source byte, kelvin float64) sent {
		return sent{130312, join([]byte{1, 0, source}, u16(uint16(kelvin*100)), []byte{0xFF, 0xFF, 0xFF})}
	}
	fine := func(source byte, kelvin float64) sent {
		raw := uint32(kelvin * 1000)
		return sent{130316, []byte{1, 0, source, byte(raw), byte(raw >> 8), byte(raw >> 16), 0xFF, 0xFF}}
	}
	pressure := func(source byte, pascal float64) sent {
		return sent{130314, append(binary.LittleEndian.AppendUint32([]byte{1, 0, source}, uint32(pascal*10)), 0xFF)}
	}
	humidity := func(source byte, percent float64) sent {
		return sent{130313, join([]byte{1, 0, source}, u16(uint16(percent*250)), []byte{0xFF, 0xFF, 0xFF})}
	}
	outside := func(water, hectopascal uint16) sent {
		return sent{130310, join([]byte{1}, u16(water), u16(0xFFFF), u16(hectopascal), []byte{0xFF})}
	}
	environment := func(sources byte, temperature, humidity, hectopascal uint16) sent {
		return sent{130311, join([]byte{1, sources}, u16(temperature), u16(humidity), u16(hectopascal))}
	}
	rudder := func(raw uint16) sent {
		return sent{127245, join([]byte{0, 0xFF, 0xFF, 0x7F}, u16(raw), []byte{0xFF, 0xFF})}
	}
	wind := func(reference byte, angle uint16) sent {
		return sent{130306, join([]byte{1}, u16(1000), u16(angle), []byte{reference, 0xFF, 0xFF})}
	}
	const none, noAngle = 0xFFFF, 0x7FFF
	tests := []struct {
		name           string
		a, b           sent
		many, disagree string // subjects, "" for none
	}{
		{"sea by 130312", temperature(0, 290), temperature(0, 300), "can0 water temperature", "water temperature"},
		{"sea, nearly the same", temperature(0, 290), temperature(0, 291), "can0 water temperature", ""},
		{"sea and engine room", temperature(0, 290), temperature(3, 330), "", ""},
		{"sea by 130316", fine(0, 290), temperature(0, 300), "can0 water temperature", "water temperature"},
		{"exhaust by 130316", fine(14, 700), temperature(0, 290), "", ""},
		{"atmosphere by 130314", pressure(0, 101_300), pressure(0, 102_500), "can0 atmospheric pressure", "atmospheric pressure"},
		{"atmosphere and oil", pressure(0, 101_300), pressure(7, 400_000), "", ""},
		{"humidity outside", humidity(1, 50), humidity(1, 80), "can0 humidity", "humidity"},
		{"humidity inside and outside", humidity(1, 50), humidity(0, 80), "", ""},
		{"water by 130310", outside(29000, none), temperature(0, 300), "can0 water temperature", "water temperature"},
		{"pressure by 130310", outside(none, 1013), pressure(0, 102_500), "can0 atmospheric pressure", "atmospheric pressure"},
		{"130310 left empty", outside(none, none), temperature(0, 300), "", ""},
		{"sea by 130311", environment(0|3<<6, 29000, noAngle, none), temperature(0, 300), "can0 water temperature", "water temperature"},
		{"humidity by 130311", environment(1|1<<6, 29000, 12500, none), humidity(1, 80), "can0 humidity", "humidity"},
		{"air by 130311", environment(1|0<<6, 29000, 12500, none), temperature(0, 300), "", ""},
		{"rudder", rudder(1000), rudder(3000), "can0 rudder", "rudder angle"},
		{"rudder of a pilot that measures none", rudder(1000), rudder(noAngle), "", ""},
		{"wind over ground from the bow", wind(3, 10_000), wind(3, 20_000), "can0 wind", "true wind angle over ground"},
		{"wind over ground and apparent", wind(3, 10_000), wind(2, 20_000), "can0 wind", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			many, disagree := "", ""
			for _, f := range pair(tt.a, tt.b) {
				switch f.Check {
				case "multiple-sources":
					many += f.Subject
				case "sources-disagree":
					disagree += f.Subject
				}
			}
			if many != tt.many || disagree != tt.disagree {
				t.Errorf("multiple-sources %q, want %q; sources-disagree %q, want %q", many, tt.many, disagree, tt.disagree)
			}
		})
	}
}
