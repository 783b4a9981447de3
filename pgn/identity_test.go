package pgn

import (
	"bytes"
	"errors"
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// typed is what the types of this package have in common.
type typed interface {
	Decode(p []byte) error
	Append(dst []byte) []byte
}

// types makes one of each type, by PGN.
var types = []struct {
	pgn uint32
	new func() typed
}{
	{PGNProduct, func() typed { return new(ProductInformation) }},
	{PGNConfiguration, func() typed { return new(ConfigurationInformation) }},
}

func TestTyped(t *testing.T) {
	fill := func(s string, n int) string { return s + strings.Repeat("\xFF", n-len(s)) }
	tests := []struct {
		name  string
		bytes string
		want  typed
	}{
		{"product", "3408 7B00" + hexOf(fill("LF9 display", 32)+fill("4.47", 32)+fill("B", 32)+fill("0012345", 32)) + "01 08",
			&ProductInformation{DatabaseVersion: Some[uint16](2100), ProductCode: Some[uint16](123), Model: "LF9 display", SoftwareVersion: "4.47",
				ModelVersion: "B", Serial: "0012345", CertificationLevel: Some[uint8](1), LoadEquivalency: Some[uint8](8)}},
		{"product without anything", strings.Repeat("FF", 134), &ProductInformation{}},
		{"configuration", "0601" + hexOf("Mast") + "0800 4800 FC00 6200" + "0201", &ConfigurationInformation{Installation1: "Mast", Installation2: "Hüb"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := unhex(t, tt.bytes)
			got := reflect.New(reflect.TypeOf(tt.want).Elem()).Interface().(typed)
			if err := got.Decode(p); err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Error(diff)
			}
			if q := got.Append(nil); !bytes.Equal(p, q) {
				t.Errorf("% X comes back as % X", p, q)
			}
		})
	}
}

func hexOf(s string) string {
	const digits = "0123456789ABCDEF"
	var b strings.Builder
	for i := range len(s) {
		b.WriteByte(digits[s[i]>>4])
		b.WriteByte(digits[s[i]&15])
	}
	return b.String()
}

func TestTypedShort(t *testing.T) {
	for _, tt := range types {
		if tt.pgn == PGNConfiguration {
			continue // may leave out all of its strings
		}
		if err := tt.new().Decode(nil); !errors.Is(err, ErrShort) {
			t.Errorf("%d: empty payload: %v", tt.pgn, err)
		}
	}
}

func TestTypedResets(t *testing.T) {
	for _, tt := range types {
		d := Lookup(tt.pgn)
		m := tt.new()
		if err := m.Decode(sample(t, d, 1)); err != nil {
			t.Fatalf("%d: %v", tt.pgn, err)
		}
		_ = m.Decode(nil)
		fresh := tt.new()
		_ = fresh.Decode(nil)
		if got, want := m.Append(nil), fresh.Append(nil); !bytes.Equal(got, want) {
			t.Errorf("%d: after a failed Decode % X is left", tt.pgn, got)
		}
	}
}

func TestProductTextIsCutAndPlain(t *testing.T) {
	m := ProductInformation{Model: strings.Repeat("Larkfin ", 5), Serial: "Nº 1@\n"}
	p := m.Append(nil)
	if len(p) != productLength {
		t.Fatalf("%d bytes", len(p))
	}
	var got ProductInformation
	if err := got.Decode(p); err != nil || got.Model != "Larkfin Larkfin Larkfin Larkfin" || got.Serial != "N? 1??" {
		t.Errorf("%q, %q, %v", got.Model, got.Serial, err)
	}
}

func TestConfigurationFits(t *testing.T) {
	m := ConfigurationInformation{strings.Repeat("ä", 300), strings.Repeat("x", 300), "\xFFy"}
	if p := m.Append(nil); len(p) > 223 {
		t.Errorf("%d bytes", len(p))
	}
}

func FuzzTyped(f *testing.F) {
	for i, tt := range types {
		d := Lookup(tt.pgn)
		for _, code := range codes(d) {
			f.Add(uint8(i), sample(f, d, code))
		}
	}
	// A text that grows by escapes was cut behind a space, which the next reader took for filling.
	f.Add(uint8(0), append([]byte("00000\xC7000\xB6\xE6\x960\xED\x9B00 x000000"), bytes.Repeat([]byte{' '}, 110)...))
	f.Fuzz(func(t *testing.T, i uint8, p []byte) {
		tt := types[int(i)%len(types)]
		m, again := tt.new(), tt.new()
		if m.Decode(p) != nil {
			return
		}
		q := m.Append(nil)
		if len(q) > Lookup(tt.pgn).Transport.MaxLength() && len(p) <= Lookup(tt.pgn).Transport.MaxLength() {
			t.Errorf("%d: % X grows to %d bytes", tt.pgn, p, len(q))
		}
		if err := again.Decode(q); err != nil {
			t.Fatalf("%d: % X comes back as % X: %v", tt.pgn, p, q, err)
		}
		if r := again.Append(nil); !bytes.Equal(q, r) {
			t.Errorf("%d: % X comes back as % X", tt.pgn, q, r)
		}
	})
}
