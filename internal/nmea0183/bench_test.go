package nmea0183

import (
	"strings"
	"testing"
)

const rmcLine = "$GPRMC,120000.00,A,3755.3232,N,02301.0146,E,0.0,116.0,140914,4.2,E,D,V*47" // of the reference

// traffic is a second of a small boat's line.
var traffic = []string{
	rmcLine,
	"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
	"$HCHDG,115.9,1.0,W,4.2,E*5B",
	"$SDDPT,12.4,0.5,50*4C",
	"$WIMWV,045.0,R,12.4,N,A*15",
	"$INMTW,17.9,C*1B",
	aisType1,
}

func TestParseAllocs(t *testing.T) {
	line := []byte(`\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\` + rmcLine + rmcLine)
	var s Sentence
	if n := testing.AllocsPerRun(100, func() {
		for rest := line; rest != nil; {
			rest, _ = Parse(rest, &s)
			s.Tag('c')
		}
		_, _ = Parse(line[20:40], &s)
	}); n != 0 {
		t.Errorf("%v allocations a line, want 0", n)
	}
}

// TestValueAllocs holds the types that own code reads to no allocation.
func TestValueAllocs(t *testing.T) {
	var (
		v        Values
		readings = make([]Reading, 0, 16)
	)
	for _, line := range []string{rmcLine, "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47", "$HCHDG,115.9,1.0,W,4.2,E*5B", "$SDDPT,12.4,0.5,50*4C"} {
		s := parse(t, line)
		if n := testing.AllocsPerRun(100, func() { readings, _ = v.Read(s, readings[:0]) }); n != 0 {
			t.Errorf("%s: %v allocations, want 0", line, n)
		}
	}
}

func BenchmarkParse(b *testing.B) {
	for _, bb := range []struct{ name, line string }{
		{"rmc", rmcLine},
		{"hdg", "$HCHDG,115.9,1.0,W,4.2,E*5B"},
		{"vdm-tagged", `\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\` + aisType1},
		{"noise", strings.Repeat("\xf8\x80\x00\x78", 20)},
	} {
		b.Run(bb.name, func(b *testing.B) {
			line := []byte(bb.line)
			var s Sentence
			b.ReportAllocs()
			b.SetBytes(int64(len(line)))
			for b.Loop() {
				_, _ = Parse(line, &s)
			}
		})
	}
}

func BenchmarkJoiner(b *testing.B) {
	var (
		j Joiner
		m AIS
	)
	first, second := parse(b, aisType5a), parse(b, aisType5b)
	b.ReportAllocs()
	for b.Loop() {
		_, _ = j.Add(first, 1, &m)
		_, _ = j.Add(second, 2, &m)
	}
}

func BenchmarkQuality(b *testing.B) {
	var q Quality
	line := []byte(rmcLine)
	b.ReportAllocs()
	for b.Loop() {
		q.Add(line, 1)
	}
}
