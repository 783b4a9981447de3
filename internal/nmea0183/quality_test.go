package nmea0183

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

// hear is what a receiver set to rx reads of text sent at tx over a line of eight data bits, no parity and one stop
// bit: it waits for a falling edge and samples the middle of nine bits. The talker rests between its lines.
func hear(text string, tx, rx float64) []byte {
	var line []byte
	for _, c := range []byte(text) {
		line = append(line, 0)
		for i := range 8 {
			line = append(line, c>>i&1)
		}
		line = append(line, 1)
		if c == '\n' {
			line = append(line, slices.Repeat([]byte{1}, 57)...)
		}
	}
	level := func(at float64) byte {
		if i := int(at * tx); i < len(line) {
			return line[i]
		}
		return 1
	}
	var (
		heard []byte
		last  = byte(1)
		step  = 1 / (16 * max(rx, tx))
	)
	for at := 0.0; at < float64(len(line))/tx; at += step {
		now := level(at)
		if last == 1 && now == 0 {
			var c byte
			for i := range 8 {
				c |= level(at+(float64(i)+1.5)/rx) << i
			}
			heard = append(heard, c)
			at += 9.5 / rx
			now = level(at)
		}
		last = now
	}
	return heard
}

// judge feeds bytes in the lines that a tap would make of them.
func judge(bytes []byte, baud uint32) Verdict {
	var (
		q Quality
		s Sentence
	)
	for line := range strings.SplitSeq(string(bytes), "\n") {
		for len(line) > 0 {
			n := min(len(line), MaxLength)
			whole := 0
			for rest := []byte(line[:n]); rest != nil; {
				var err error
				rest, err = Parse(rest, &s)
				if err == nil && s.Checksum != ChecksumBad {
					whole++
				}
			}
			q.Add([]byte(line[:n]), whole)
			line = line[n:]
		}
	}
	return q.Verdict(baud)
}

func TestVerdictOfWrongBaud(t *testing.T) {
	text := strings.Repeat("$SDDPT,12.4,0.5,50*4C\r\n$HCHDG,115.9,1.0,W,4.2,E*5B\r\n"+rmcLine+"\r\n", 30)
	tests := []struct {
		tx, rx uint32
		want   uint32 // 0: unknown
	}{
		{4800, 9600, 4800}, {4800, 19200, 4800}, {4800, 38400, 4800}, {4800, 57600, 4800}, {4800, 115200, 4800},
		{9600, 19200, 9600}, {9600, 38400, 9600}, {9600, 57600, 9600},
		{19200, 38400, 19200}, {19200, 57600, 19200}, {19200, 115200, 19200},
		{38400, 115200, 38400}, {57600, 115200, 57600},
		{38400, 4800, 38400}, {38400, 9600, 38400}, {38400, 19200, 38400}, // too slow: the standard's faster rate is named
		{115200, 38400, 0}, {57600, 38400, 0},
	}
	for _, tt := range tests {
		t.Run(fmt.Sprintf("%d read at %d", tt.tx, tt.rx), func(t *testing.T) {
			want := Verdict{ConditionWrongBaud, tt.want}
			if got := judge(hear(text, float64(tt.tx), float64(tt.rx)), tt.rx); got != want {
				t.Errorf("verdict = %v %d, want %v %d", got.Condition, got.Baud, want.Condition, want.Baud)
			}
		})
	}
	for _, rate := range []uint32{4800, 38400, 115200} {
		t.Run(fmt.Sprintf("right at %d", rate), func(t *testing.T) {
			heard := hear(text, float64(rate), float64(rate))
			if string(heard) != text {
				t.Fatal("the modelled line does not carry the text")
			}
			if got := judge(heard, rate); got != (Verdict{Condition: ConditionGood}) {
				t.Errorf("verdict = %v %d, want good", got.Condition, got.Baud)
			}
		})
	}
}

func TestVerdict(t *testing.T) {
	good, bad := "$SDDPT,12.4,0.5,50*4C\r\n", "$SDDPT,12.4,0.6,50*4C\r\n"
	tests := []struct {
		name, in string
		baud     uint32
		want     Verdict
	}{
		{"silence", "", 4800, Verdict{}},
		{"too little", "\x00\xff", 4800, Verdict{}},
		{"without checksums", strings.Repeat("$SDDPT,12.4,0.5,50\r\n", 20), 4800, Verdict{Condition: ConditionGood}},
		{"half damaged", strings.Repeat(good+bad, 20), 4800, Verdict{Condition: ConditionNoisy}},
		{"other text", strings.Repeat("T=21.5 H=40\r\n", 20), 9600, Verdict{Condition: ConditionOther}},
		{"noise over TCP", strings.Repeat("\x00\x80\xf8\x9a", 60), 0, Verdict{Condition: ConditionNoisy}},
		{"endless noise", strings.Repeat("\x00", 100_000), 38400, Verdict{ConditionWrongBaud, 4800}},
		{"noise, then mended", strings.Repeat("\x00\x80", 10_000) + "\n" + strings.Repeat(good, 1000), 4800, Verdict{Condition: ConditionGood}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := judge([]byte(tt.in), tt.baud); got != tt.want {
				t.Errorf("verdict = %v %d, want %v %d", got.Condition, got.Baud, tt.want.Condition, tt.want.Baud)
			}
		})
	}
}
