package tap

import (
	"bytes"
	"strings"
	"testing"
	"time"

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
// rate can be found. A receiver that is too slow shows none.
func TestWrongBaudGiven(t *testing.T) {
	for _, tt := range []struct{ talker, given, told int }{{4800, 38400, 4800}, {4800, 9600, 4800}, {9600, 38400, 9600}, {38400, 4800, 0}, {115200, 4800, 0}} {
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
		if got, want := q.Verdict(uint32(tt.given)), (nmea0183.Verdict{Condition: nmea0183.ConditionWrongBaud, Baud: uint32(tt.told)}); got != want {
			t.Errorf("%d read at %d: %+v", tt.talker, tt.given, got)
		}
	}
}

// TestNoiseWithoutAnEnd: bytes that no line end follows are handed on when they have waited for longer than any sentence takes.
func TestNoiseWithoutAnEnd(t *testing.T) {
	now := time.Unix(1_777_881_600, 0)
	r := &drip{wait: func() { now = now.Add(2 * time.Second) }}
	l := newLineLink(r, Options{Now: func() time.Time { return now }}.withDefaults())
	var events [8]event.Event
	var got int
	for range 3 {
		n, err := l.read(events[:])
		if err != nil || n != 1 || len(events[0].Line) == 0 {
			t.Fatalf("%d lines, %v", n, err)
		}
		got += len(events[0].Line)
	}
	if got < 9 || got > 12 { // one byte in two seconds, handed on after five
		t.Errorf("%d bytes in three lines", got)
	}
}

// drip gives a byte of noise at a time.
type drip struct{ wait func() }

func (d *drip) Read(b []byte) (int, error) {
	d.wait()
	b[0] = 0
	return 1, nil
}

func (d *drip) Write(b []byte) (int, error) { return len(b), nil }

func (d *drip) Close() error { return nil }
