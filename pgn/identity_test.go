package pgn

import (
	"bytes"
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

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
	{PGNAcknowledgment, func() typed { return new(ISOAcknowledgment) }},
	{PGNRequest, func() typed { return new(ISORequest) }},
	{PGNAddressClaim, func() typed { return new(AddressClaim) }},
	{PGNCommandedAddress, func() typed { return new(CommandedAddress) }},
	{PGNGroupFunction, func() typed { return new(GroupFunction) }},
	{PGNPGNList, func() typed { return new(PGNList) }},
	{PGNSystemTime, func() typed { return new(SystemTime) }},
	{PGNHeartbeat, func() typed { return new(Heartbeat) }},
	{PGNProduct, func() typed { return new(ProductInformation) }},
	{PGNConfiguration, func() typed { return new(ConfigurationInformation) }},
}

func TestTyped(t *testing.T) {
	fill := func(s string, n int) string { return s + strings.Repeat("\xFF", n-len(s)) }
	instance, source := Lookup(130312).Field("instance"), Lookup(130312).Field("temperature_source")
	tests := []struct {
		name  string
		bytes string
		want  typed
	}{
		{"request", "14F001", &ISORequest{PGN: 126996}},
		{"acknowledgment", "01FFFFFFFF14F001", &ISOAcknowledgment{Control: AckNegative, GroupFunction: 255, Address: 255, PGN: 126996}},
		{"claim", "40E2C1DD00C8A0C0", &AddressClaim{NAME: 0xC0A0C800DDC1E240}},
		{"commanded address", "40E2C1DD00C8A0C0 21", &CommandedAddress{NAME: 0xC0A0C800DDC1E240, Address: 33}},
		{"product", "3408 7B00" + hexOf(fill("LF9 display", 32)+fill("4.47", 32)+fill("B", 32)+fill("0012345", 32)) + "01 08",
			&ProductInformation{DatabaseVersion: Some[uint16](2100), ProductCode: Some[uint16](123), Model: "LF9 display", SoftwareVersion: "4.47",
				ModelVersion: "B", Serial: "0012345", CertificationLevel: Some[uint8](1), LoadEquivalency: Some[uint8](8)}},
		{"product without anything", strings.Repeat("FF", 134), &ProductInformation{}},
		{"configuration", "0601" + hexOf("Mast") + "0800 4800 FC00 6200" + "0201", &ConfigurationInformation{Installation1: "Mast", Installation2: "Hüb"}},
		{"list", "01 02FD01 05F801", &PGNList{Receive: true, PGNs: []uint32{130306, 129029}}},
		{"heartbeat", "60EA 05 FF FFFFFFFF", &Heartbeat{Interval: Some[uint16](60000), Sequence: Some[uint8](5), State: 255}},
		{"heartbeat without interval", "FFFF FF FF FFFFFFFF", &Heartbeat{State: 255}},
		{"time", "01 F0 E037 001BB719", &SystemTime{SID: Some[uint8](1), Source: Some[uint8](0),
			Time: Some(time.Date(2009, 3, 1, 11, 59, 3, 40_000_000, time.UTC))}},
		{"no time", "FF FF FFFF FFFFFFFF", &SystemTime{}},
		{"group request", "00 14F001 FFFFFFFF FFFF 00", &GroupFunction{Code: GroupRequest, PGN: 126996, Interval: IntervalKeep, Offset: OffsetKeep}},
		{"group command", "01 08FD01 F8 02 02 05 03 0E", &GroupFunction{Code: GroupCommand, PGN: 130312, Priority: PriorityKeep,
			Parameters: []GroupParameter{{2, instance, []byte{5}}, {3, source, []byte{14}}}}},
		{"group command, field not known", "01 02F201 F8 01 09 01 02 03", &GroupFunction{Code: GroupCommand, PGN: 127490, Priority: PriorityKeep,
			Parameters: []GroupParameter{{9, nil, []byte{1, 2, 3}}}}},
		{"group acknowledge", "02 08FD01 10 03 30 F4", &GroupFunction{Code: GroupAcknowledge, PGN: 130312, IntervalError: 1, Errors: []uint8{0, 3, 4}}},
		{"group read, proprietary", "03 00FF00 D19F 07 01 01 01 D107 04", &GroupFunction{Code: GroupRead, PGN: 65280, Manufacturer: 2001, Industry: 4,
			UniqueID: 7, Selection: []GroupParameter{{1, Lookup(65280).Field("manufacturer_code"), []byte{0xD1, 0x07}}}, Parameters: []GroupParameter{{4, nil, nil}}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := unhex(t, tt.bytes)
			got := reflect.New(reflect.TypeOf(tt.want).Elem()).Interface().(typed)
			if err := got.Decode(p); err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tt.want, got, cmp.Comparer(func(a, b *Field) bool { return a == b }), emptyIsNil); diff != "" {
				t.Error(diff)
			}
			if q := got.Append(nil); !bytes.Equal(p, q) {
				t.Errorf("% X comes back as % X", p, q)
			}
		})
	}
}

// emptyIsNil compares slices by content only: a decoder that reuses them leaves them empty, not nil.
var emptyIsNil = cmp.FilterValues(func(a, b []GroupParameter) bool { return len(a) == 0 && len(b) == 0 }, cmp.Ignore())

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
	for _, bad := range []string{"01 08FD01 F8 03 02 05", "00 14F001 FFFF", "02 08FD01 10 03 30", "04 00FF00 D1", "01 08FD01 F8 02 04 01"} {
		var m GroupFunction
		if err := m.Decode(unhex(t, bad)); !errors.Is(err, ErrShort) {
			t.Errorf("group function %s: %v", bad, err)
		}
	}
	var m GroupFunction
	if err := m.Decode([]byte{7, 0, 0xFF, 0}); err == nil || m.PGN != 65280 {
		t.Errorf("unknown code: %v, %+v", err, m)
	}
	if err := new(PGNList).Decode([]byte{2}); err == nil {
		t.Error("PGN list of an unknown kind is accepted")
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

func TestGroupParameterDecode(t *testing.T) {
	var m GroupFunction
	if err := m.Decode(unhex(t, "01 08FD01 F8 02 03 0E 04 0070")); err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{"Exhaust gas", "286.72 K"} {
		if v, ok := m.Parameters[i].Decode(); !ok || v.String() != want {
			t.Errorf("parameter %d: %s, %t, want %s", i, v, ok, want)
		}
	}
	if _, ok := (GroupParameter{Number: 9}).Decode(); ok {
		t.Error("a field that is not known is decoded")
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
	f.Add(uint8(8), append([]byte("00000\xC7000\xB6\xE6\x960\xED\x9B00 x000000"), bytes.Repeat([]byte{' '}, 110)...))
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
