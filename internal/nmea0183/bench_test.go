package nmea0183

import (
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	nmea "github.com/adrianmo/go-nmea"
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
			s.TagTime()
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

// BenchmarkTraffic puts our framing, our framing with values, and go-nmea alone side by side on the same seven sentences.
func BenchmarkTraffic(b *testing.B) {
	lines := make([][]byte, len(traffic))
	for i, line := range traffic {
		lines[i] = []byte(line)
	}
	rate := func(b *testing.B) {
		b.ReportMetric(float64(b.N*len(lines))/b.Elapsed().Seconds(), "sentences/s")
	}
	b.Run("framing", func(b *testing.B) {
		var s Sentence
		b.ReportAllocs()
		for b.Loop() {
			for _, line := range lines {
				_, _ = Parse(line, &s)
			}
		}
		rate(b)
	})
	b.Run("framing-and-values", func(b *testing.B) {
		var (
			s        Sentence
			v        Values
			readings []Reading
		)
		b.ReportAllocs()
		for b.Loop() {
			for _, line := range lines {
				_, _ = Parse(line, &s)
				readings, _ = v.Read(&s, readings[:0])
			}
		}
		rate(b)
	})
	b.Run("go-nmea", func(b *testing.B) {
		var p nmea.SentenceParser
		b.ReportAllocs()
		for b.Loop() {
			for _, line := range traffic {
				if _, err := p.Parse(line); err != nil {
					b.Fatal(err)
				}
			}
		}
		rate(b)
	})
	b.Run("python3-nmea2", func(b *testing.B) {
		const script = `
import sys, time, pynmea2
lines = [line for line in sys.stdin.read().split("\n") if line.startswith("$")] # it knows no AIS
rounds = 1000
begin = time.perf_counter()
for _ in range(rounds):
    for line in lines: pynmea2.parse(line, check=True)
print(rounds * len(lines) / (time.perf_counter() - begin))
`
		cmd := exec.Command("/usr/bin/python3", "-c", script)
		cmd.Stdin = strings.NewReader(strings.Join(traffic, "\n"))
		out, err := cmd.Output()
		if err != nil {
			b.Skip("python3-nmea2 is not installed")
		}
		sentences, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
		if err != nil {
			b.Fatal(err)
		}
		for b.Loop() {
			time.Sleep(0) // the work was done by the other program
		}
		b.ReportMetric(sentences, "sentences/s")
	})
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
