package job

import (
	"testing"
)

// TestSearch: a reading is corrected by a later line, what was found begins a new search, and nothing else corrects.
func TestSearch(t *testing.T) {
	v, err := Create(t.Context(), t.TempDir(), "laptop", "Ana", Opening{Number: "7"})
	if err != nil {
		t.Fatal(err)
	}
	add := func(kind Kind, data any) {
		t.Helper()
		if err := v.Add(t.Context(), Entry{Kind: kind, By: "Ana", Data: data}); err != nil {
			t.Fatal(err)
		}
	}
	inForce := func(want ...string) {
		t.Helper()
		again, err := LoadVisit(t.Context(), v.Dir, "laptop")
		if err != nil {
			t.Fatal(err)
		}
		for _, search := range [][]Searched{v.Search, again.Search} {
			got := InForce(search, "n2k")
			if len(got) != len(want) {
				t.Fatalf("%d readings in force, want %d: %v", len(got), len(want), got)
			}
			for i := range want {
				if got[i].Reading != want[i] {
					t.Errorf("reading %d is %q, want %q", i, got[i].Reading, want[i])
				}
			}
		}
	}
	add(Reading, Measured{Network: "n2k", Reading: "tee 4: 11.2 V", Likely: []Likely{{"tee 4", "open", .5}}})
	add(Reading, Measured{Network: "other", Reading: "tee 1: 12 V"})
	inForce("tee 4: 11.2 V")
	add(Reading, Measured{Network: "n2k", Reading: "tee 4: 12.2 V", Corrects: 2})
	inForce("tee 4: 12.2 V")
	for _, m := range []Measured{{}, {Network: "n2k"}, {Network: "n2k", Reading: "x: 1 V", Corrects: 2}, {Network: "n2k", Corrects: 3}, {Network: "n2k", Corrects: 99}} {
		if v.CheckMeasured(m) == nil {
			t.Errorf("%+v is taken", m)
		}
	}
	add(Reading, Measured{Network: "n2k", Corrects: 4})
	inForce()
	add(Reading, Measured{Network: "n2k", Reading: "tee 2: 12 V"})
	add(Found, FoundFault{Network: "n2k", Part: "tee 4", Fault: "open", How: "a pin was bent"})
	inForce()
	if s := v.Search[len(v.Search)-1]; s.Found == nil || s.Found.How != "a pin was bent" || s.Line != 7 {
		t.Errorf("found: %+v", s)
	}
}
