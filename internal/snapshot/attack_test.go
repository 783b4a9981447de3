package snapshot

import (
	"bytes"
	"crypto/ed25519"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// holds reports whether a file passes as a snapshot that is as it was sealed.
func holds(data []byte) bool {
	s, err := Decode(data)
	return err == nil && s.Verify(nil) == nil
}

// TestEveryChangeIsRefused: a sealed file with one byte changed, left out or put in between does not pass, wherever it is; nor does one whose
// structure was changed, though it means the same.
func TestEveryChangeIsRefused(t *testing.T) {
	key := ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize))
	for name, key := range map[string]ed25519.PrivateKey{"sealed": nil, "signed": key} {
		data, err := seal(t, fixture(), key).Encode()
		if err != nil {
			t.Fatal(err)
		}
		if !holds(data) {
			t.Fatalf("%s: as it was written it does not pass", name)
		}
		refused := func(what string, altered []byte) {
			if !bytes.Equal(altered, data) && holds(altered) {
				t.Errorf("%s: %s passes", name, what)
			}
		}
		for i := range data {
			for _, c := range []byte{data[i] ^ 1, data[i] ^ 0x20, ' ', '0'} {
				altered := slices.Clone(data)
				altered[i] = c
				refused(fmt.Sprintf("byte %d %q as %q", i, data[i], c), altered)
			}
			refused(fmt.Sprintf("without byte %d", i), slices.Delete(slices.Clone(data), i, i+1))
			refused(fmt.Sprintf("byte %d twice", i), slices.Insert(slices.Clone(data), i, data[i]))
			refused(fmt.Sprintf("cut at %d", i), data[:i])
		}
		for what, altered := range restructured(t, data) {
			refused(what, altered)
		}
		r := rand.New(rand.NewPCG(1, 1))
		for i := range 10_000 {
			refused(fmt.Sprintf("mutation %d", i), mutate(r, data))
		}
	}
}

// restructured are files of the same or like meaning.
func restructured(t *testing.T, data []byte) map[string][]byte {
	var compact, wide bytes.Buffer
	if json.Compact(&compact, data) != nil || json.Indent(&wide, data, "", "\t") != nil {
		t.Fatal("not JSON")
	}
	var parts map[string]json.RawMessage
	var tree any
	if json.Unmarshal(data, &parts) != nil || json.Unmarshal(data, &tree) != nil {
		t.Fatal("not JSON")
	}
	sorted, err := json.MarshalIndent(tree, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]byte{"compact": compact.Bytes(), "indented by tabs": wide.Bytes(), "keys sorted": append(sorted, '\n'),
		"a space in front": slices.Concat([]byte(" "), data), "a byte order mark in front": slices.Concat([]byte("\ufeff"), data),
		"a line behind": slices.Concat(data, []byte("\n")), "twice": slices.Concat(data, data),
		"an escape":         bytes.Replace(data, []byte("display"), []byte(`d\u0069splay`), 1),
		"CRLF":              bytes.ReplaceAll(data, []byte("\n"), []byte("\r\n")),
		"version 1":         bytes.Replace(data, []byte(Schema), []byte(SchemaV1), 1),
		"a seal of its own": bytes.Replace(data, []byte(`"report"`), []byte(`"seal": {"sha256": "00"}, "report"`), 1)}
	without := func(what string, change func(seal map[string]any)) {
		var seal map[string]any
		if err := json.Unmarshal(parts["seal"], &seal); err != nil {
			t.Fatal(err)
		}
		change(seal)
		text, err := json.MarshalIndent(seal, "  ", "  ")
		if err != nil {
			t.Fatal(err)
		}
		at := bytes.LastIndex(data, []byte(",\n  \"seal\""))
		out[what] = slices.Concat(data[:at], []byte(",\n  \"seal\": "), text, []byte("\n}\n"))
	}
	without("without the signature", func(s map[string]any) { delete(s, "signature") })
	without("without signature and key", func(s map[string]any) { delete(s, "signature"); delete(s, "key") })
	without("an empty signature", func(s map[string]any) { s["signature"] = "" })
	without("another key", func(s map[string]any) { s["key"] = strings.Repeat("A", 43) })
	without("fewer bytes", func(s map[string]any) { s["bytes"] = 10 })
	without("the sum in capitals", func(s map[string]any) { s["sha256"] = strings.ToUpper(s["sha256"].(string)) })
	for key := range parts {
		rest := map[string]json.RawMessage{}
		for k, v := range parts {
			if k != key {
				rest[k] = v
			}
		}
		text, err := json.MarshalIndent(rest, "", "  ")
		if err != nil {
			t.Fatal(err)
		}
		out["without "+key] = append(text, '\n')
	}
	return out
}

// mutate changes lines, pieces or bytes at random.
func mutate(r *rand.Rand, data []byte) []byte {
	lines := strings.SplitAfter(string(data), "\n")
	i, j := r.IntN(len(lines)), r.IntN(len(lines))
	from := r.IntN(len(data))
	to := from + r.IntN(min(64, len(data)-from))
	switch r.IntN(5) {
	case 0: // two lines change places
		lines[i], lines[j] = lines[j], lines[i]
	case 1: // a line is left out
		lines[i] = ""
	case 2: // a line stands twice
		lines[i] += lines[j]
	case 3: // a piece is left out
		return slices.Concat(data[:from], data[to:])
	default: // a piece stands somewhere else too
		at := r.IntN(len(data))
		return slices.Concat(data[:at], data[from:to], data[at:])
	}
	return []byte(strings.Join(lines, ""))
}
