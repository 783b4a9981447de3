package job

import (
	"slices"
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/release"
)

// TestDecisions: what somebody decides of units while a job is open is in its ledger, once, with the name of the person; so is its removal.
func TestDecisions(t *testing.T) {
	v := visited(t, true)
	_, r := planned(t)
	units := r.Units
	one := boat.Decision{A: units[0].ID, B: units[1].ID, By: "Ana", At: taken}
	other := boat.Decision{A: units[1].ID, B: units[2].ID, Same: true, By: "config"}
	turned := boat.Decision{A: one.B, B: one.A, Same: true, By: "Bo", At: taken.Add(time.Minute)}
	observe := func() error {
		_, err := v.Observe(t.Context(), taken.Add(time.Minute), r, release.Conditions{})
		return err
	}
	decide := func() error { return v.Decide(t.Context(), r) }
	for _, tt := range []struct {
		what string
		now  []boat.Decision
		take func() error
		want []Decision // in the lines that it adds
		by   string
	}{
		{"none", nil, decide, nil, ""},
		{"one, in a snapshot", []boat.Decision{one}, decide, []Decision{{Decision: one}}, "Ana"},
		{"the same again", []boat.Decision{one}, decide, nil, ""},
		{"another one, while the order is followed", []boat.Decision{one, other}, observe, []Decision{{Decision: other}}, "config"},
		{"the first one overruled", []boat.Decision{one, other, turned}, observe, []Decision{{Decision: turned}}, "Bo"},
		{"one removed", []boat.Decision{turned}, observe, []Decision{{other, true}}, "muster"},
	} {
		r.Decisions = tt.now
		n := len(v.Ledger.Lines)
		if err := tt.take(); err != nil {
			t.Fatal(tt.what, err)
		}
		var got []Decision
		for _, line := range v.Ledger.Lines[n:] {
			if line.Kind != Identity {
				continue
			}
			var d Decision
			if err := line.Into(&d); err != nil || line.By != tt.by {
				t.Errorf("%s: by %q, %v", tt.what, line.By, err)
			}
			got = append(got, d)
		}
		if !slices.Equal(got, tt.want) {
			t.Errorf("%s: %+v, want %+v", tt.what, got, tt.want)
		}
	}
	again, err := LoadVisit(t.Context(), v.Dir, "laptop")
	if err != nil || !slices.Equal(again.Decided, []boat.Decision{turned}) {
		t.Errorf("read again: %+v, %v", again.Decided, err)
	}
}
