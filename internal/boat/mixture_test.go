package boat

import (
	"encoding/json"
	"slices"
	"testing"
	"time"
)

// TestSendsOfSeveralQuantities: of the environment's messages, which leave empty what is not measured, a device sends what it gave values of.
func TestSendsOfSeveralQuantities(t *testing.T) {
	const water, pressure, humidity = "water temperature", "atmospheric pressure", "humidity"
	outside := func(kelvin, hectopascal uint16) []byte {
		return []byte{1, byte(kelvin), byte(kelvin >> 8), 0xFF, 0xFF, byte(hectopascal), byte(hectopascal >> 8), 0xFF}
	}
	environment := func(sources byte, kelvin, percent, hectopascal uint16) []byte {
		return []byte{1, sources, byte(kelvin), byte(kelvin >> 8), byte(percent), byte(percent >> 8), byte(hectopascal), byte(hectopascal >> 8)}
	}
	const none, noHumidity, sea, air, inside, out = 0xFFFF, 0x7FFF, 0, 1, 0 << 6, 1 << 6
	type sent struct {
		pgn  uint32
		data []byte
	}
	for _, tt := range []struct {
		name string
		sent []sent // a minute and a half apart
		want []string
	}{
		{"water and pressure", []sent{{130310, outside(28900, 1013)}}, []string{water, pressure}},
		{"water only", []sent{{130310, outside(28900, none)}}, []string{water}},
		{"nothing", []sent{{130310, outside(none, none)}}, nil},
		{"the water sensor has come off", []sent{{130310, outside(28900, 1013)}, {130310, outside(none, 1013)}}, []string{pressure}},
		{"sea", []sent{{130311, environment(sea|out, 28900, 12500, none)}}, []string{water, humidity}},
		{"air, indoors", []sent{{130311, environment(air|inside, 28900, 12500, 1013)}}, []string{pressure}},
		{"nothing but the air", []sent{{130311, environment(air|inside, 28900, noHumidity, none)}}, nil},
		{"both messages", []sent{{130310, outside(28900, none)}, {130311, environment(air|out, 28900, 12500, none)}}, []string{water, humidity}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := newWire().claim(35, nameHead)
			for i, s := range tt.sent {
				if i > 0 {
					w.wait(90 * time.Second)
				}
				w.send(s.pgn, 35, 255, s.data...)
			}
			r := w.state()
			var read struct {
				Units []struct{ Presences []Device }
			}
			if err := json.Unmarshal(encode(t, r), &read); err != nil {
				t.Fatal(err)
			}
			for _, r := range []*State{r, {Devices: read.Units[0].Presences}} { // a report on file gives the same
				var got []string
				for _, q := range Quantities() {
					if sends(deviceOf(t, r, nameHead.String()), q) {
						got = append(got, q.Name)
					}
				}
				if !slices.Equal(got, tt.want) {
					t.Errorf("%q, want %q", got, tt.want)
				}
			}
			checkSchema(t, encode(t, r))
		})
	}
}

func sends(d *Device, q Quantity) bool {
	return slices.ContainsFunc(d.Transmits, func(t Transmit) bool {
		return q.In(t.PGN, t.Selector, t.Measures) && (t.Available == nil || *t.Available)
	})
}
