package nmea0183_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"time"

	"muster/internal/nmea0183"
)

// TestValuesAgainstGPSD: of headings, depths, winds, heights and times gpsd reads the same values.
func TestValuesAgainstGPSD(t *testing.T) {
	const (
		degree = math.Pi / 180
		knot   = 1852.0 / 3600
	)
	// what gpsd calls it, and ours with gpsd's unit
	fields := []struct {
		name      string
		quantity  nmea0183.Quantity
		reference nmea0183.Reference
		unit      float64
	}{
		{"heading", nmea0183.Heading, nmea0183.True, degree},
		{"depth", nmea0183.Depth, nmea0183.Transducer, 1},
		{"wangler", nmea0183.WindAngle, nmea0183.Apparent, degree},
		{"wspeedr", nmea0183.WindSpeed, nmea0183.Apparent, 1},
		{"wanglet", nmea0183.WindAngle, nmea0183.True, degree},
		{"wanglem", nmea0183.WindAngle, nmea0183.Magnetic, degree},
		{"wspeedt", nmea0183.WindSpeed, nmea0183.Ground, 1},
		{"altMSL", nmea0183.Altitude, nmea0183.ReferenceNone, 1},
		{"magvar", nmea0183.Variation, nmea0183.ReferenceNone, degree},
		{"track", nmea0183.CourseOverGround, nmea0183.True, degree},
		{"speed", nmea0183.SpeedOverGround, nmea0183.ReferenceNone, 1},
	}
	feed, client := gpsd(t)
	ours := map[string][]float64{} // every value of each field that was sent
	times := map[int64]bool{}
	var lines [][]byte
	var s nmea0183.Sentence
	say := func(format string, args ...any) {
		line := nmea0183.Append(nil, '$', fmt.Sprintf(format, args...))
		if _, err := nmea0183.Parse(line, &s); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		readings, err := nmea0183.Read(&s, nil)
		if err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		for _, r := range readings {
			for _, f := range fields {
				if r.Available && r.Quantity == f.quantity && r.Reference == f.reference {
					ours[f.name] = append(ours[f.name], r.Value/f.unit)
				}
			}
			if r.Quantity == nmea0183.Time {
				times[int64(math.Round(r.Value*1000))] = true
			}
		}
		lines = append(lines, line)
	}
	for i := range 5 {
		x := float64(i)
		clock := fmt.Sprintf("1200%02d.00", i)
		say("GPRMC,%s,A,3755.3232,N,02301.%04d,E,%.1f,%.1f,140924,4.%d,W,D,V", clock, 146+i, 4.3+x, 116+x, i)
		say("GPGGA,%s,3755.3232,N,02301.%04d,E,1,08,0.9,%.1f,M,46.9,M,,", clock, 146+i, 45.4+x)
		say("GPZDA,%s,14,09,2024,00,00", clock)
		say("GPHDT,%.2f,T", 274.07+x)
		say("SDDBT,,f,%.1f,M,,F", 2.3+x)
		say("WIMWV,%05.1f,R,%.1f,N,A", 45+x, 12.4+x)
		say("WIMWD,%.1f,T,%.1f,M,%.1f,N,%.1f,M", 90+x, 94+x, (3+x)/knot, 3+x)
	}
	go play(feed, lines, 20*time.Millisecond)
	seen := map[string]map[float64]bool{}
	done := func() bool {
		for _, f := range fields {
			if len(seen[f.name]) < 3 {
				return false
			}
		}
		return true
	}
	sc := bufio.NewScanner(client)
	sc.Buffer(nil, 1<<20)
	for !done() && sc.Scan() {
		var m map[string]any
		if err := json.Unmarshal(sc.Bytes(), &m); err != nil || m["class"] != "TPV" && m["class"] != "ATT" {
			continue
		}
		if text, ok := m["time"].(string); ok {
			if at, err := time.Parse(time.RFC3339, text); err != nil || !times[at.UnixMilli()] {
				t.Errorf("gpsd's time %q is none of ours: %v", text, err)
			}
		}
		for _, f := range fields {
			theirs, ok := m[f.name].(float64)
			if !ok {
				continue
			}
			if seen[f.name] == nil {
				seen[f.name] = map[float64]bool{}
			}
			seen[f.name][theirs] = true
			if !contains(ours[f.name], theirs, 0.051) { // gpsd gives some with one decimal
				t.Errorf("%s: gpsd %v, we %v", f.name, theirs, ours[f.name])
			}
		}
	}
	if !done() {
		t.Errorf("of %v only %v: %v", fields, seen, sc.Err())
	}
}

func contains(list []float64, x, tolerance float64) bool {
	for _, y := range list {
		if math.Abs(x-y) <= tolerance {
			return true
		}
	}
	return false
}
