package pgn

import (
	"bytes"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The first came off a wire (CAN capture shipped with gpsd 3.22 tests), the others are built by the layout of SAE J1939-81.
func TestNAME(t *testing.T) {
	tests := []struct {
		bytes  string
		number NAME
		want   NameFields
	}{
		{"40 E2 C1 DD 00 C8 A0 C0", 0xC0A0C800DDC1E240, NameFields{123456, 1774, 0, 200, 80, 0, 4, true}},
		{"41 42 EF 10 00 82 78 C0", 0xC078820010EF4241, NameFields{1000001, 135, 0, 130, 60, 0, 4, true}},
		{"4D 00 A0 1C 0B 8C 64 42", 0x42648C0B1CA0004D, NameFields{77, 229, 11, 140, 50, 2, 4, false}},
		{"FF FF FF E7 01 91 78 C1", 0xC1789101E7FFFFFF, NameFields{2097151, 1855, 1, 145, 60, 1, 4, true}},
	}
	for _, tt := range tests {
		p := unhex(t, tt.bytes)
		n, ok := DecodeNAME(p)
		if !ok || n != tt.number {
			t.Errorf("DecodeNAME(%s) = %s, %t", tt.bytes, n, ok)
		}
		if diff := cmp.Diff(tt.want, n.Fields()); diff != "" {
			t.Errorf("%s: %s", n, diff)
		}
		if tt.want.NAME() != n {
			t.Errorf("packing %+v gives %s, want %s", tt.want, tt.want.NAME(), n)
		}
		if !bytes.Equal(n.Append(nil), p) {
			t.Errorf("%s: Append gives % X", n, n.Append(nil))
		}
		if got, err := ParseNAME(n.String()); err != nil || got != n {
			t.Errorf("ParseNAME(%s) = %s, %v", n, got, err)
		}
	}
	for _, bad := range []string{"", "C0A0C800DDC1E24", "C0A0C800DDC1E2400", "C0A0C800DDC1E24G", "+0A0C800DDC1E240"} {
		if n, err := ParseNAME(bad); err == nil {
			t.Errorf("ParseNAME(%q) = %s, want an error", bad, n)
		}
	}
	if _, ok := DecodeNAME(make([]byte, 7)); ok {
		t.Error("7 bytes make a NAME")
	}
}

func FuzzParseNAME(f *testing.F) {
	f.Add("C0A0C800DDC1E240")
	f.Add("c0a0c800ddc1e24")
	f.Fuzz(func(t *testing.T, s string) {
		n, err := ParseNAME(s)
		if err != nil {
			return
		}
		if again, err := ParseNAME(n.String()); err != nil || again != n || n.Fields().NAME()|1<<48 != n|1<<48 {
			t.Errorf("%q is %s, which comes back as %s, %v", s, n, again, err)
		}
	})
}
