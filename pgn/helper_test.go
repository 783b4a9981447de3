package pgn

import (
	"encoding/hex"
	"flag"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// unhex reads bytes in hex, with spaces anywhere.
func unhex(t testing.TB, s string) []byte {
	t.Helper()
	p, err := hex.DecodeString(strings.Join(strings.Fields(s), ""))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// layouts lists every layout with fields, the variants of the group function as messages of their own.
func layouts() []*Definition {
	var all []*Definition
	for _, d := range All() {
		if len(d.Fields) > 0 {
			all = append(all, d)
		}
	}
	return all
}

// codes lists the first fields that select a layout: the codes of the group function, one nil for everything else.
func codes(d *Definition) []float64 {
	n := max(1, len(d.variants)-1)
	var all []float64
	for i := range n {
		all = append(all, float64(i))
	}
	return all
}

// sample is a payload with a plausible value in every field and two repeats in every group.
func sample(t testing.TB, d *Definition, code float64) []byte {
	t.Helper()
	p, err := d.Build(nil, func(f *Field, repeat int) (float64, string, bool) {
		k := float64(f.Number + repeat)
		switch {
		case f.Group != 0 && repeat >= 2 && f.Width != 2:
			return 0, "", false
		case f.index == 0 && len(d.variants) > 0:
			return code, "", true
		case f.Key == "target_pgn":
			if code > 2 {
				return 65280, "", true
			}
			return 130312, "", true
		case f.part == partNumber:
			return float64(2 + repeat), "", true
		case f.Role == RoleCount:
			return 0, "", false
		}
		switch f.Type {
		case Text, String:
			return 0, "AB"[:1+min(1, f.Width/16)] + strings.Repeat("c", min(3, f.Width/16)), true
		case Raw:
			return 0, "\x01\x02\x03", true
		case Date:
			return 14304 + k, "", true // 2009-03-01 and some days
		case Time:
			return 43200.5 + k, "", true
		case Enum, Bits:
			return float64((f.Number + repeat) % int(min(f.mask-f.special+1, 3))), "", true
		case Signed:
			return f.Origin - k*f.Resolution*3, "", true
		case Parameter:
			return 1, "", true
		}
		return f.Origin + min(k*5, float64(f.max-f.special))*f.Resolution, "", true
	})
	if err != nil {
		t.Fatalf("%d: %v", d.PGN, err)
	}
	return p
}
