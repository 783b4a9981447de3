package nmea0183

import (
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	nmea "github.com/adrianmo/go-nmea"
)

// cpu is the processor time that this process has used. Beside other work on the computer the wall clock shows
// little.
func cpu(b *testing.B) time.Duration {
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		b.Fatal(err)
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

// BenchmarkTraffic puts our framing, our framing with values, go-nmea alone and python3-nmea2 side by side on the same seven sentences,
// in sentences a second of one core's time.
func BenchmarkTraffic(b *testing.B) {
	lines := make([][]byte, len(traffic))
	for i, line := range traffic {
		lines[i] = []byte(line)
	}
	rate := func(b *testing.B, from time.Duration) {
		b.ReportMetric(float64(b.N*len(lines))/(cpu(b)-from).Seconds(), "sentences/s")
	}
	b.Run("framing", func(b *testing.B) {
		var s Sentence
		b.ReportAllocs()
		from := cpu(b)
		for b.Loop() {
			for _, line := range lines {
				_, _ = Parse(line, &s)
			}
		}
		rate(b, from)
	})
	b.Run("framing-and-values", func(b *testing.B) {
		var (
			s        Sentence
			readings []Reading
		)
		b.ReportAllocs()
		from := cpu(b)
		for b.Loop() {
			for _, line := range lines {
				_, _ = Parse(line, &s)
				readings, _ = Read(&s, readings[:0])
			}
		}
		rate(b, from)
	})
	b.Run("go-nmea", func(b *testing.B) {
		var p nmea.SentenceParser
		b.ReportAllocs()
		from := cpu(b)
		for b.Loop() {
			for _, line := range traffic {
				if _, err := p.Parse(line); err != nil {
					b.Fatal(err)
				}
			}
		}
		rate(b, from)
	})
	b.Run("python3-nmea2", func(b *testing.B) {
		const script = `
import sys, time, pynmea2
lines = [line for line in sys.stdin.read().split("\n") if line.startswith("$")] # it knows no AIS
rounds = 1000
begin = time.process_time()
for _ in range(rounds):
    for line in lines: pynmea2.parse(line, check=True)
print(rounds * len(lines) / (time.process_time() - begin))
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
