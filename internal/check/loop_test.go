package check_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"go.einride.tech/can"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/nmea0183"
)

// TestLoopThroughALine: a sounder's depth goes out on an NMEA 0183 line by one gateway and comes back to the backbone
// by another. The finding names the way round, and a line whose data is not sent back is none.
func TestLoopThroughALine(t *testing.T) {
	for _, closed := range []bool{true, false} {
		b := boat.New(boat.Options{Clock: boat.ClockCapture})
		b.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "can0", Kind: event.NMEA2000, BitRate: 250_000}})
		b.Feed(event.Event{Kind: event.KindNetwork, Network: 1, Info: &event.Network{ID: "ttyUSB0", Kind: event.NMEA0183, BitRate: 4800}})
		start := event.Time(1_780_000_000e9)
		frame := func(at event.Time, id uint32, data []byte) {
			ev := event.Event{Kind: event.KindFrame, Time: at, Frame: can.Frame{ID: id, IsExtended: true, Length: uint8(len(data))}}
			copy(ev.Frame.Data[:], data)
			b.Feed(ev)
		}
		for i := range uint32(2) { // NAMEs of the invented manufacturers 2002 and 2003
			frame(start, 0x18EEFF00|(35+i), binary.LittleEndian.AppendUint64(nil, 0xC0_96_82_00_00_00_00_00|uint64(2002+i)<<21|uint64(i+1)))
		}
		depth := func(at event.Time, source uint32, cm float64) {
			p := binary.LittleEndian.AppendUint32([]byte{1}, uint32(cm))
			frame(at, 3<<26|128267<<8|source, append(p, 0xF4, 1, 0xFF)) // 0.5 m below the surface
		}
		bottom := func(s float64) float64 {
			return math.Round(2000 + 500*math.Sin(s/17) + 120*math.Sin(s/3.1) + 31*math.Sin(s*1.7))
		}
		for i := range 240 {
			at := start.Add(time.Duration(i) * time.Second)
			cm := bottom(float64(i))
			depth(at, 35, cm)
			line := nmea0183.Append(nil, '$', fmt.Sprintf("SDDPT,%.1f,0.5,", cm/100))
			b.Feed(event.Event{Kind: event.KindLine, Network: 1, Time: at.Add(300 * time.Millisecond), Line: line[:len(line)-2]})
			if closed {
				depth(at.Add(700*time.Millisecond), 36, math.Round(cm/10)*10)
			}
		}
		var found []string
		for _, f := range check.Judge(check.All(), b.State(), b.Now(), nil).Findings {
			if f.Check == "data-loop" {
				found = append(found, f.Summary)
			}
		}
		switch want := "returns on can0 700 ms later: "; {
		case !closed && len(found) == 0:
		case closed && len(found) == 1 && strings.Contains(found[0], want) && strings.Contains(found[0], "(address 35) → SD on ttyUSB0 → ") &&
			strings.HasSuffix(found[0], "(address 36)"):
		default:
			t.Errorf("closed %v: %q", closed, found)
		}
	}
}
