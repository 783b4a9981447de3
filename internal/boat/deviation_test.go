package boat

import (
	"math"
	"strings"
	"testing"
)

// TestDeviationCountsOnce: the reader of sentences adds the deviation to the heading; the model must not do it again.
func TestDeviationCountsOnce(t *testing.T) {
	for _, tt := range []struct {
		sentence string
		m        Measure
		want     float64 // degrees
	}{
		{"HCHDG,100.0,,,,", HeadingMagnetic, 100},
		{"HCHDG,100.0,2.0,E,,", HeadingMagnetic, 102},
		{"HCHDG,100.0,2.0,W,,", HeadingMagnetic, 98},
		{"HCHDG,100.0,2.0,E,4.0,E", HeadingTrue, 106},
		{"HCHDG,100.0,2.0,W,4.0,W", HeadingTrue, 94},
	} {
		t.Run(tt.sentence, func(t *testing.T) {
			s, ok := valueOf(feedLines(Options{}, sealed(tt.sentence)), tt.m, "ttyUSB0/HC")
			if got := s.Value * 180 / math.Pi; !ok || math.Abs(got-tt.want) > 1e-9 {
				t.Errorf("%v %v, want %v", got, ok, tt.want)
			}
		})
	}
}

// TestBadLinesAreCounted: whatever comes down a line is counted as what it is, and what is kept of it has a bound. A wrong baud rate:
// TestLikelyBaud.
func TestBadLinesAreCounted(t *testing.T) {
	const depth = "SDDPT,12.4,0.5,50"
	many := func(n int, line func(i int) string) (list []string) {
		for i := range n {
			list = append(list, line(i))
		}
		return list
	}
	same := func(s string) func(int) string { return func(int) string { return s } }
	letters := func(i int) string { return string([]byte{byte('A' + i%26), byte('A' + i/26%26), byte('A' + i/676%26)}) }
	for _, tt := range []struct {
		name      string
		lines     []string
		want      Faults
		sentences int // kept of the first talker, -1 for no talker
	}{
		{"binary noise", many(100, func(i int) string { return string([]byte{byte(i), 0x80, 0xF8, 0xFF, byte(200 - i)}) }), Faults{GarbledLines: 100}, -1},
		{"endless", many(50, same("$GPTXT,"+strings.Repeat("x", 5000))), Faults{GarbledLines: 50}, -1},
		{"NUL bytes", many(50, same("$SDDPT,1\x00.4,0.5,50")), Faults{GarbledLines: 50}, -1},
		{"NUL bytes around a sentence", many(50, same("\x00\x00"+sealed(depth)+"\x00")), Faults{GarbledLines: 50}, 1},
		{"run together", many(50, same(sealed(depth)+sealed("SDDBT,,f,12.0,M,,F"))), Faults{}, 2},
		{"lower case", many(50, same(sealed("sddpt,12.4,0.5,50"))), Faults{}, 1},
		{"missing checksum", many(50, same("$"+depth)), Faults{UncheckedLines: 50}, 1},
		{"wrong checksum", many(50, same("$"+depth+"*00")), Faults{ChecksumErrors: 50}, -1},
		{"a new formatter every line", many(2000, func(i int) string { return sealed("SD" + letters(i) + ",1") }), Faults{Untracked: 2000 - 128}, 128},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := feedLines(Options{}, tt.lines...)
			kept := -1
			if len(r.Talkers) > 0 {
				kept = len(r.Talkers[0].Sentences)
			}
			if f := r.Networks[0].Faults; f != tt.want || kept != tt.sentences || len(r.Talkers) > 1 {
				t.Errorf("%+v, %d sentences, %d talkers; want %+v, %d", f, kept, len(r.Talkers), tt.want, tt.sentences)
			}
		})
	}
}
