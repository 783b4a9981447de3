package nmea0183

import "testing"

const rmcLine = "$GPRMC,120000.00,A,3755.3232,N,02301.0146,E,0.0,116.0,140914,4.2,E,D,V*47"

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

func BenchmarkParse(b *testing.B) {
	for _, bb := range []struct{ name, line string }{
		{"rmc", rmcLine},
		{"hdg", "$HCHDG,115.9,1.0,W,4.2,E*5B"},
		{"vdm-tagged", `\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\!AIVDM,1,1,,B,15N4cJ` + "`005Jrek0H@9n`DW5608EP,0*13"},
		{"noise", "\xf8\x80\x00\x78\xf8\xf8\x00\x80\x78\xf8\xf8\x00\x80\x78\xf8\xf8\x00\x80\x78\xf8"},
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
