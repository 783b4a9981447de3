package tap

import (
	"bytes"
	"strings"
	"testing"

	"muster/internal/event"
	"muster/internal/nmea0183"
)

func TestCutLine(t *testing.T) {
	noise := strings.Repeat("\xf8", maxLine-10)
	for _, tt := range []struct{ name, in, line, rest string }{
		{"whole", "$A*00\r\n$B", "$A*00", "\n$B"},
		{"may go on", "$A*00", "", "$A*00"},
		{"empty", "\n$B", "", "$B"},
		{"as long as may be", noise + "0123456789\n", noise + "0123456789", ""},
		{"endless", noise + "0123456789x", noise + "0123456789", "x"},
		{"before a sentence", noise + "$SDDPT,12.4,0.5,50", noise, "$SDDPT,12.4,0.5,50"},
		{"sentences run together", "$" + noise + "$SDDPT,12.4,0.5,50", "$" + noise, "$SDDPT,12.4,0.5,50"},
		{"one endless sentence", "$" + noise + "0123456789x", "$" + noise + "012345678", "9x"},
	} {
		line, n := cutLine([]byte(tt.in))
		if string(line) != tt.line || tt.in[n:] != tt.rest {
			t.Errorf("%s: %q, left %q", tt.name, line, tt.in[n:])
		}
	}
}

func FuzzCutLine(f *testing.F) {
	f.Add([]byte("$A*00\r\n$B"))
	f.Add(bytes.Repeat([]byte{0, 0x80, '$'}, maxLine))
	f.Fuzz(func(t *testing.T, b []byte) {
		for len(b) > 0 {
			line, n := cutLine(b)
			if n == 0 && len(b) > maxLine || n > len(b) || len(line) > maxLine || !bytes.HasPrefix(b, line) {
				t.Fatalf("%d of %d bytes, a line of %d", n, len(b), len(line))
			}
			if n == 0 {
				return
			}
			b = b[n:]
		}
	})
}

// TestWrongBaudGiven: a port opened at a given rate hands on the noise that another rate makes, so that the talker's
// rate can be found.
func TestWrongBaudGiven(t *testing.T) {
	for _, tt := range []struct{ talker, given int }{{4800, 38400}, {4800, 9600}, {9600, 38400}, {38400, 4800}} {
		port := newWirePort(tt.talker)
		port.rate = tt.given
		l := newLineLink(port, Options{}.withDefaults())
		var events [16]event.Event
		var q nmea0183.Quality
		for range 100 {
			n, err := l.read(events[:])
			if err != nil {
				break // the port ran dry
			}
			for _, ev := range events[:n] {
				if ev.Kind != event.KindLine || len(ev.Line) > maxLine {
					t.Fatalf("%v of %d bytes", ev.Kind, len(ev.Line))
				}
				q.Add(ev.Line, 0)
			}
		}
		if got, want := q.Verdict(uint32(tt.given)), (nmea0183.Verdict{Condition: nmea0183.ConditionWrongBaud, Baud: uint32(tt.talker)}); got != want {
			t.Errorf("%d read at %d: %+v", tt.talker, tt.given, got)
		}
	}
}
