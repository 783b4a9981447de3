package nmea0183

import (
	"slices"
	"strings"
	"testing"
)

// hear is what a receiver set to rx reads of text sent at tx over a line of eight data bits, no parity and one stop
// bit: it waits for a falling edge and samples the middle of nine bits. The talker rests between its lines. Swapped
// wires turn every level over.
func hear(text string, tx, rx float64, swapped bool) []byte {
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
	if swapped {
		for i := range line {
			line[i] ^= 1
		}
	}
	level := func(at float64) byte { return line[min(int(at*tx), len(line)-1)] }
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

// TestVerdictOfTheWire: of every pair of rates and both polarities the verdict names a true cause, or says that it
// is unknown.
func TestVerdictOfTheWire(t *testing.T) {
	text := strings.Repeat("$SDDPT,12.4,0.5,50*4C\r\n$HCHDG,115.9,1.0,W,4.2,E*5B\r\n"+rmcLine+"\r\n!AIVDM,1,1,,A,13u?etPv2;0n:dDPwUM1U1Cb069D,0*24\r\n", 30)
	rates := []uint32{4800, 9600, 19200, 38400, 57600, 115200}
	for _, tx := range rates {
		for _, rx := range rates {
			for _, swapped := range []bool{false, true} {
				for _, drift := range []float64{-0.01, 0, 0.01} { // of the talker's clock
					want := Verdict{Condition: ConditionWrongBaud}
					switch k := float64(rx) / float64(tx); {
					case k == 1 && swapped:
						want = Verdict{Condition: ConditionSwapped}
					case k == 1:
						want = Verdict{Condition: ConditionGood}
					case k == 2 || k == 3 || k == 4 || k == 6 || k == 8:
						want.Baud = tx
					}
					if got := judge(hear(text, float64(tx)*(1+drift), float64(rx), swapped), rx); got != want {
						t.Errorf("%d read at %d, swapped: %v, drift %v: verdict %v %d, want %v %d", tx, rx, swapped, drift, got.Condition, got.Baud, want.Condition, want.Baud)
					}
				}
			}
		}
	}
	if heard := hear(text, 4800, 4800, false); string(heard) != text {
		t.Error("the modelled line does not carry the text")
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
		{"endless zeros", strings.Repeat("\x00", 100_000), 38400, Verdict{Condition: ConditionWrongBaud}},
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
