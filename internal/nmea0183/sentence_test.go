package nmea0183

import (
	"bytes"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// view is what a test compares of one Parse.
type view struct {
	Address  string
	Fields   string
	Checksum Checksum
	Tag      Checksum
	Noise    int
	Err      Reason
}

func parseAll(t *testing.T, line string) []view {
	t.Helper()
	var (
		s   Sentence
		out []view
	)
	for rest := []byte(line); ; {
		before := len(rest)
		var err error
		rest, err = Parse(rest, &s)
		fields := make([]string, s.NumFields())
		for i := range fields {
			fields[i] = string(s.Field(i))
		}
		v := view{Address: s.Address.String(), Fields: strings.Join(fields, "|"), Checksum: s.Checksum, Tag: s.TagChecksum, Noise: s.Noise}
		if err != nil {
			v.Err = err.(Reason)
		}
		out = append(out, v)
		if rest == nil {
			return out
		}
		if len(rest) >= before {
			t.Fatalf("no progress: %d bytes left of %d", len(rest), before)
		}
	}
}

func TestParse(t *testing.T) {
	const (
		hdg = "$HCHDG,115.9,1.0,W,4.2,E*5B" // checksum computed by the reference
		dpt = "$SDDPT,12.4,0.5,50*4C"       // likewise
	)
	hdgView := view{Address: "HCHDG", Fields: "115.9|1.0|W|4.2|E", Checksum: ChecksumGood}
	dptView := view{Address: "SDDPT", Fields: "12.4|0.5|50", Checksum: ChecksumGood}
	with := func(v view, change func(*view)) view { change(&v); return v }

	tests := []struct {
		name string
		in   string
		want []view
	}{
		{"plain", hdg, []view{hdgView}},
		{"line end", hdg + "\r\n", []view{hdgView}},
		{"encapsulated (gpsd AIVDM page)", "!AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n`DW5608EP,0*13",
			[]view{{Address: "AIVDM", Fields: "1|1||B|15N4cJ`005Jrek0H@9n`DW5608EP|0", Checksum: ChecksumGood}}},
		{"tag block (gpsd AIVDM page)", `\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\` + dpt,
			[]view{with(dptView, func(v *view) { v.Tag = ChecksumGood })}},
		{"tag block, checksum bad", `\s:abc*00\` + dpt, []view{with(dptView, func(v *view) { v.Tag = ChecksumBad })}},
		{"two tag blocks", `\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\\s:abc\` + dpt,
			[]view{with(dptView, func(v *view) { v.Tag = ChecksumMissing })}},
		{"tag block alone", `\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\`, []view{{Tag: ChecksumGood, Err: ReasonTagAlone}}},
		{"torn tag block", `874,n:157036*4A\` + dpt, []view{with(dptView, func(v *view) { v.Noise = 16 })}},
		{"datagram header", "UdPbC\x00" + `\s:abc*4A\` + dpt, []view{with(dptView, func(v *view) { v.Tag = ChecksumBad })}},
		{"query", "$CCGPQ,GGA*2B", []view{{Address: "CCGPQ", Fields: "GGA", Checksum: ChecksumGood}}}, // checksum computed by the reference
		{"proprietary", "$PGRMZ,93,f,3*21", []view{{Address: "PGRMZ", Fields: "93|f|3", Checksum: ChecksumGood}}},
		{"long proprietary", "$PMTK001,604,3*32", []view{{Address: "PMTK001", Fields: "604|3", Checksum: ChecksumGood}}},
		{"no fields", "$GPTXT*4F", []view{{Address: "GPTXT", Checksum: ChecksumGood}}},
		{"empty fields", "$GPHDT,,*1A", []view{{Address: "GPHDT", Fields: "|", Checksum: ChecksumBad}}},
		{"lower case", "$hchdg,1,,,,*5b", []view{{Address: "HCHDG", Fields: "1||||", Checksum: ChecksumBad}}},
		{"no checksum", "$SDDPT,12.4,0.5,50\r\n", []view{with(dptView, func(v *view) { v.Checksum = ChecksumMissing })}},
		{"no checksum, padded", "$SDDPT,12.4,0.5,50 \x00\x00", []view{with(dptView, func(v *view) { v.Checksum = ChecksumMissing; v.Noise = 2 })}},
		{"wrong checksum", "$SDDPT,12.4,0.5,50*4D", []view{with(dptView, func(v *view) { v.Checksum = ChecksumBad })}},
		{"torn checksum", "$SDDPT,12.4,0.5,50*4", []view{with(dptView, func(v *view) { v.Checksum = ChecksumBad })}},
		{"bare asterisk", "$SDDPT,12.4,0.5,50*\r\n", []view{with(dptView, func(v *view) { v.Checksum = ChecksumBad })}},
		{"checksum not hexadecimal", "$SDDPT,12.4,0.5,50*ZZ", []view{with(dptView, func(v *view) { v.Checksum = ChecksumBad })}},
		{"noise before", "\x00\xff.4,E*5B" + dpt, []view{with(dptView, func(v *view) { v.Noise = 9 })}},
		{"noise after", dpt + "\x00\x00x", []view{with(dptView, func(v *view) { v.Noise = 3 })}},
		{"two run together", hdg + dpt, []view{hdgView, dptView}},
		{"three in a datagram", hdg + "\r\n" + dpt + "\r\n" + hdg + "\r\n", []view{hdgView, dptView, hdgView}},
		{"tag block between", hdg + `\s:abc*1F\` + dpt, []view{hdgView, with(dptView, func(v *view) { v.Tag = ChecksumBad })}},
		{"cut by the next", "$HCHDG,115.9,1.$SDDPT,12.4,0.5,50*4C", []view{{Address: "HCHDG", Fields: "115.9|1.", Err: ReasonCut}, dptView}},
		{"cut after start", "$" + dpt, []view{with(dptView, func(v *view) { v.Noise = 1 })}},
		{"torn in the address", "$HCHDG", []view{{Address: "HCHDG", Err: ReasonCut}}},
		{"reserved characters in text", "$GPTXT,01,01,02,say!$*51", []view{{Address: "GPTXT", Fields: "01|01|02|say!$", Checksum: ChecksumBad}}},
		{"backslash in text", `$GPTXT,01,01,02,a\b*58`, []view{{Address: "GPTXT", Fields: `01|01|02|a\b`, Checksum: ChecksumBad}}},
		{"NUL inside", "$SDDPT,12\x00.4,0.5,50", []view{{Address: "SDDPT", Fields: "12\x00.4|0.5|50", Err: ReasonBinary}}},
		{"NUL inside, checksum holds", "$SDDPT,12\x00.4,0.5,50*4C", []view{{Address: "SDDPT", Fields: "12\x00.4|0.5|50", Checksum: ChecksumGood}}},
		{"address too short", "$GP,1*00", []view{{Noise: 8, Err: ReasonAddress}}},
		{"address too long", "$GPRMCX,1*00", []view{{Noise: 12, Err: ReasonAddress}}},
		{"no start", "\xf8\x80\x00\x78", []view{{Noise: 4, Err: ReasonNoStart}}},
		{"other protocol", "HELLO,WORLD", []view{{Noise: 11, Err: ReasonNoStart}}},
		{"empty", "", []view{{Err: ReasonEmpty}}},
		{"blank", " \r\n", []view{{Err: ReasonEmpty}}},
		{"endless", "$GPTXT," + strings.Repeat("x", 5000), []view{{Address: "GPTXT", Err: ReasonTooLong}}},
		{"endless, then good", "$GPTXT," + strings.Repeat("x", 5000) + "\n" + dpt, []view{{Address: "GPTXT", Err: ReasonTooLong}, dptView}},
		{"too many fields", "$GPTXT" + strings.Repeat(",", 129) + "*63", []view{{Address: "GPTXT", Checksum: ChecksumGood, Err: ReasonTooManyFields}}},
		{"most fields", "$GPTXT" + strings.Repeat(",", 128) + "*4F", []view{{Address: "GPTXT", Fields: strings.Repeat("|", 127), Checksum: ChecksumGood}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if diff := cmp.Diff(tt.want, parseAll(t, tt.in)); diff != "" {
				t.Errorf("Parse(%q) (-want +got):\n%s", tt.in, diff)
			}
		})
	}
}

func TestAddress(t *testing.T) {
	tests := []struct{ in, talker, formatter, manufacturer, listener string }{
		{"GPRMC", "GP", "RMC", "", ""},
		{"gprmc", "GP", "RMC", "", ""},
		{"PGRMZ", "P", "GRMZ", "GRM", ""},
		{"PMTK001", "P", "MTK001", "MTK", ""},
		{"CCGPQ", "CC", "Q", "", "GP"},
		{"", "", "", "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.in, func(t *testing.T) {
			a := AddressOf(tt.in)
			got := [4]string{a.Talker(), a.Formatter(), a.Manufacturer(), a.Listener()}
			if want := [4]string{tt.talker, tt.formatter, tt.manufacturer, tt.listener}; got != want {
				t.Errorf("talker, formatter, manufacturer, listener = %q, want %q", got, want)
			}
		})
	}
}

func TestTags(t *testing.T) {
	const tail = "$SDDPT,12.4,0.5,50*4C"
	tests := []struct {
		name, in string
		key      byte
		want     string
	}{
		{"group (gpsd AIVDM page)", `\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\`, 'g', "1-2-73874"},
		{"source", `\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\`, 's', "r003669945"},
		{"second block", `\n:1\\s:abc,c:1241544035.25\`, 's', "abc"},
		{"milliseconds", `\c:1241544035123\`, 'c', "1241544035123"},
		{"absent", `\n:1\`, 's', ""},
		{"not a number", `\c:12x\`, 'c', "12x"},
		{"too large", `\c:99999999999\`, 'c', "99999999999"},
		{"bad checksum", `\c:1241544035*00\`, 'c', "1241544035"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var s Sentence
			if _, err := Parse([]byte(tt.in+tail), &s); err != nil {
				t.Fatal(err)
			}
			got, ok := s.Tag(tt.key)
			if string(got) != tt.want || ok != (tt.want != "") {
				t.Errorf("Tag(%c) = %q, %v, want %q", tt.key, got, ok, tt.want)
			}
		})
	}
}

func TestLength(t *testing.T) {
	for _, n := range []int{StandardLength, StandardLength + 1} {
		line := append(append([]byte("$GPTXT,"), bytes.Repeat([]byte("x"), n-12)...), "*00\r\n"...)
		var s Sentence
		if _, err := Parse(line, &s); err != nil {
			t.Fatal(err)
		}
		if s.WireLength() != n || s.Overlong() != (n > StandardLength) {
			t.Errorf("of %d characters: WireLength %d, Overlong %v", n, s.WireLength(), s.Overlong())
		}
	}
}

func TestAppend(t *testing.T) {
	if got, want := string(AppendQuery(nil, "CC", "GP", "GGA")), "$CCGPQ,GGA*2B\r\n"; got != want { // checksum computed by the reference
		t.Errorf("AppendQuery = %q, want %q", got, want)
	}
	if got, want := string(Append([]byte("x"), '!', "AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n`DW5608EP,0")), "x!AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n`DW5608EP,0*13\r\n"; got != want {
		t.Errorf("Append = %q, want %q", got, want)
	}
}

// seeds are lines for the fuzz tests: every form in the table tests and the two lines on which the value library
// panics.
var seeds = []string{
	"$HCHDG,115.9,1.0,W,4.2,E*5B", "$GPTXT*4F", "$GNTXT,01,01*4E", "$GPALC*59", `\s:abc*00\$SDDPT,12.4,0.5,50*4C`, `\a:b\\c:d\`,
	"$HCHDG,115.9,1.$SDDPT,12.4,0.5,50*4C", "UdPbC\x00\\s:a\\!AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n`DW5608EP,0*13", "\xf8\x80\x00\x78",
	"$GPRMC,120000.00,A,3755.3232,N,02301.0146,E,0.0,116.0,140914,4.2,E,D,V*47", "$$$$$$", `\\\\`, "$PGRMZ,93,f,3*21\r\n$CCGPQ,GGA*2B\r\n",
	"$GPTXT,,,,,,,,,,*4", "$GPGGA,NaN,Inf,N,0x1p4,E,1,,,,M*00", "$IIVER,1,1,SD,GAN,,1234,SD2,1.2^2c3,A*00",
}

func FuzzParse(f *testing.F) {
	for _, seed := range seeds {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		var s Sentence
		for rest := line; rest != nil; {
			before := len(rest)
			var err error
			rest, err = Parse(rest, &s)
			if rest != nil && len(rest) >= before {
				t.Fatalf("no progress in %q", line)
			}
			if err == nil && (s.Start != '$' && s.Start != '!' || len(s.Talker()) == 0 || len(s.Formatter()) == 0) {
				t.Fatalf("%q: a sentence without start, talker or formatter", line)
			}
			if err == nil && s.Checksum == ChecksumGood {
				body, _, _ := bytes.Cut(s.Raw[1:], []byte("*"))
				if len(body) == len(s.Raw)-4 && Sum(body) != hex(s.Raw[len(s.Raw)-2])<<4|hex(s.Raw[len(s.Raw)-1]) {
					t.Fatalf("%q: checksum of %q is not good", line, s.Raw)
				}
			}
			total := 0
			for i := range s.NumFields() {
				total += len(s.Field(i)) + 1
			}
			if total > len(s.Raw) {
				t.Fatalf("%q: fields have %d bytes, the sentence %d", line, total, len(s.Raw))
			}
			s.Tag('s')
		}
	})
}
