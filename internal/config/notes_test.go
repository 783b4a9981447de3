package config

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/boat"
)

var someNotes = []boat.Manual{
	{ID: "n1", Role: boat.RoleOther, Manufacturer: "Larkfin Marine", Model: "Pemmo 4 imaging transducer", Serial: "0042", Software: "1.10", Place: "transom: port", By: "Ana", At: 1_780_000_000_000_000_000},
	{ID: "n7", Model: "yes", Note: "# \"quoted\" — ü", By: "null", At: 1_780_000_000_123_456_789},
}

func TestNotes(t *testing.T) {
	text, err := EncodeNotes(someNotes)
	if err != nil {
		t.Fatal(err)
	}
	got, err := ParseNotes(t.Context(), "notes.yaml", text)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	if diff := cmp.Diff(someNotes, got); diff != "" {
		t.Errorf("%s\n%s", diff, text)
	}
	if id := NextNote(got); id != "n8" {
		t.Error(id)
	}
	if id := NextNote(nil); id != "n1" {
		t.Error(id)
	}
}

func TestNotesBad(t *testing.T) {
	const head = "schema: muster.notes/v1\ndevices:\n"
	for name, c := range map[string]struct{ text, want string }{
		"no schema":  {"devices: []", "muster.notes/v1"},
		"no YAML":    {"a: [", "notes.yaml:1:"},
		"unknown":    {head + "  - {id: n1, modell: x}\n", "notes.yaml:3:14: unknown key \"modell\""},
		"no model":   {head + "  - {id: n1, by: Ana, at: 2026-05-02T08:00:00Z}\n", "devices.0.model: it is missing: give the kind of device"},
		"nobody":     {head + "  - {id: n1, model: x, at: 2026-05-02T08:00:00Z}\n", "give the name of the person who enters it"},
		"never":      {head + "  - {id: n1, model: x, by: Ana}\n", "give the time of the entry"},
		"bad time":   {head + "  - {id: n1, model: x, by: Ana, at: soon}\n", "notes.yaml:"},
		"bad role":   {head + "  - {id: n1, model: x, by: Ana, role: cook, at: 2026-05-02T08:00:00Z}\n", `devices.0.role: "cook" is unknown`},
		"bad id":     {head + "  - {id: m1, model: x, by: Ana, at: 2026-05-02T08:00:00Z}\n", `devices.0.id: "m1" must be n and a number`},
		"twice":      {head + strings.Repeat("  - {id: n1, model: x, by: Ana, at: 2026-05-02T08:00:00Z}\n", 2), "devices.1.id"},
		"long":       {head + "  - {id: n1, model: " + strings.Repeat("x", 81) + ", by: Ana, at: 2026-05-02T08:00:00Z}\n", "longer than 80"},
		"two places": {head + "  - {id: n1, model: \"a\\nb\", by: Ana, at: 2026-05-02T08:00:00Z}\n", "control character"},
		"too many":   {head + strings.Repeat("  - {id: n1, model: x}\n", MaxNotes+1), "more than 200"},
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := ParseNotes(t.Context(), "notes.yaml", []byte(c.text)); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want %q", err, c.want)
			}
		})
	}
}

// FuzzNotes: what was read can be written and read again.
func FuzzNotes(f *testing.F) {
	text, err := EncodeNotes(someNotes)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte("schema: muster.notes/v1\ndevices:\n  - {id: n1, model: x, by: Ana, at: 2026-05-02T08:00:00Z}\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		first, err := ParseNotes(t.Context(), "notes.yaml", text)
		if err != nil {
			return
		}
		again, err := EncodeNotes(first)
		if err != nil {
			t.Fatal(err)
		}
		second, err := ParseNotes(t.Context(), "notes.yaml", again)
		if err != nil {
			t.Fatalf("%v\n%q", err, again)
		}
		if len(first)+len(second) > 0 && !cmp.Equal(first, second) {
			t.Errorf("%s\n%s", cmp.Diff(first, second), again)
		}
	})
}
