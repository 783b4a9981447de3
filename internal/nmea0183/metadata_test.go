package nmea0183

import "testing"

// TestMetadata: what a receiver appends to an AIS sentence is neither noise nor a sentence; after any other sentence it is noise.
func TestMetadata(t *testing.T) {
	const own = "!AIVDM,1,1,,A,13aEOK?P00PD2wVMdLDRhgvL289?,0*26"
	for _, tt := range []struct {
		line  string
		noise int
		rest  bool
	}{
		{own, 0, false},
		{own + ",1780000000\r\n", 0, false},
		{own + ",s12345,d-087,T08.5,x10,1780000000", 0, false},
		{own + ",T08" + own, 4, true},
		{own + ",\x01\x02", 3, false},
		{own + "x", 1, false},
		{"$HEHDT,123.4,T*1E,s1", 3, false},
	} {
		var s Sentence
		rest, err := Parse([]byte(tt.line), &s)
		if err != nil || int(s.Noise) != tt.noise || (rest != nil) != tt.rest {
			t.Errorf("%q: %v, checksum %v, noise %d, rest %q", tt.line, err, s.Checksum, s.Noise, rest)
		}
	}
}
