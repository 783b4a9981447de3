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

// oneOfEach is a sentence of each type whose values are read.
var oneOfEach = []string{
	"$SDDBK,10.5,f,3.2,M,1.7,F", "$SDDBS,10.5,f,3.2,M,1.7,F", "$SDDBT,7.7,f,2.3,M,1.3,F", "$SDDPT,12.4,0.5,50",
	"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", "$GPGLL,4916.45,N,12311.12,W,225444,A",
	"$GNGNS,014035.00,4332.69262,S,17235.48549,E,RR,13,0.9,25.63,11.24,,", "$HCHDG,115.9,1.0,W,4.2,E", "$HCHDM,93.8,M", "$GPHDT,274.07,T",
	"$WIMDA,29.9,I,1.0,B,20.0,C,15.0,C,50,,,C,90,T,88,M,5.8,N,3,M", "$WIMHU,66.0,5.0,3.0,C", "$WIMMB,29.9200,I,1.0132,B", "$WIMTA,21.5,C",
	"$INMTW,17.9,C", "$WIMWD,90.0,T,88.0,M,5.8,N,3.0,M", "$WIMWV,045.0,R,12.4,N,A", rmcLine, "$TIROT,-60.0,A", "$IIRPM,E,1,2418.2,10.5,A",
	"$IIRSA,-10.5,A,,V", "$INTHS,123.4,A", "$VWVBW,5.0,0.1,A,4.8,0.0,A", "$IIVDR,10.0,T,8.0,M,1.0,N", "$VWVHW,245.1,T,240.9,M,5.0,N,9.3,K",
	"$VWVLW,1.0,N,0.5,N,1.1,N,2.0,N", "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K", "$IIVWR,75,R,1.0,N,0.51,M,1.85,K", "$IIVWT,75,L,1.0,N,0.51,M,1.85,K",
	"$IIXDR,A,-3.5,D,PTCH,A,2.0,D,ROLL,P,1.02,B,Barometer,U,12.6,V,House", "$GPZDA,201530.00,04,07,2002,00,00",
}

// BenchmarkValues reads the values of one sentence of each type.
func BenchmarkValues(b *testing.B) {
	for _, line := range oneOfEach {
		b.Run(line[3:6], func(b *testing.B) {
			s, readings := parse(b, line), make([]Reading, 0, 16)
			b.ReportAllocs()
			for b.Loop() {
				readings, _ = Read(s, readings[:0])
			}
		})
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
