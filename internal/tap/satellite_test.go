package tap

import (
	"io"
	"strings"
	"testing"
	"time"

	"muster/internal/event"
	"muster/internal/nmea0183"
)

func TestBySatellites(t *testing.T) {
	at := func(text string) event.Time {
		if text == "" {
			return 0
		}
		x, err := time.Parse("15:04:05.99", text)
		if err != nil {
			t.Fatal(err)
		}
		return event.At(x.AddDate(2024, 8, 13))
	}
	type line struct{ body, at string }
	for _, tt := range []struct {
		name  string
		lines []line
	}{
		{"before and after", []line{{"SDDPT,1.0,,", ""}, {"GPRMC,120000.00,A,,,,,,,140924,,", "12:00:00"}, {"SDDPT,1.0,,", "12:00:00"},
			{"GPZDA,120001.25,14,09,2024,,", "12:00:01.25"}, {"SDDPT,1.0,,", "12:00:01.25"}}},
		{"a second receiver", []line{{"GPZDA,120000,14,09,2024,,", "12:00:00"}, {"GNZDA,130000,14,09,2024,,", "12:00:00"}, {"GPZDA,120001,14,09,2024,,", "12:00:01"}}},
		{"no fix", []line{{"GPRMC,120000.00,V,,,,,,,140924,,,N", ""}, {"SDDPT,1.0,,", ""}}},
		{"back", []line{{"GPZDA,120005,14,09,2024,,", "12:00:05"}, {"GPZDA,120004,14,09,2024,,", "12:00:05"}}},
		{"no date", []line{{"GPGGA,120000,,,,,1,,,,,,,,", ""}}},
	} {
		var text strings.Builder
		for _, l := range tt.lines {
			text.Write(nmea0183.Append(nil, '$', l.body))
		}
		in, err := Open("-", Options{Stdin: strings.NewReader(text.String())})
		if err != nil {
			t.Fatal(err)
		}
		src := BySatellites(in.(Recorded))
		i := 0
		var events [3]event.Event
		for {
			n, err := src.Read(events[:])
			for _, ev := range events[:n] {
				if ev.Kind != event.KindLine {
					continue
				}
				if want := at(tt.lines[i].at); ev.Time != want {
					t.Errorf("%s: %s at %v, want %v", tt.name, ev.Line, ev.Time, want)
				}
				i++
			}
			if err == io.EOF {
				break
			} else if err != nil {
				t.Fatal(err)
			}
		}
		if i != len(tt.lines) {
			t.Errorf("%s: %d of %d lines", tt.name, i, len(tt.lines))
		}
	}
	in, _ := Open("-", Options{Stdin: strings.NewReader("(1700000000.000001) ttyS0 $GPZDA,120000,14,09,2024,,*4D\n(1700000001.000000) ttyS0 $SDDPT,1.0,,*53\n")})
	src := BySatellites(in.(Recorded))
	expect(t, src, "net0 network ttyS0 nmea0183 0 listen=false", `net0 line "$GPZDA,120000,14,09,2024,,*4D"`, `net0 line "$SDDPT,1.0,,*53"`)
}
