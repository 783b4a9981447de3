package daemon

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/api"
	"muster/internal/event"
	"muster/internal/store"
)

// TestKeptLayouts: layouts that were drawn on the pages come back in their order, beside what else was entered.
func TestKeptLayouts(t *testing.T) {
	s, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	text := "segments:\n  - {from: a, to: b, length: 5 m, cable: micro}\nterminators:\n  - a\n  - b\npower:\n  - {at: a, voltage: 12 V, fuse: 3 A}\n"
	m := manual{count: 1, layouts: []api.KeptLayout{{Number: 1, At: event.Time(1e18), By: "Jo", Text: text},
		{Number: 2, At: event.Time(2e18), By: "Ben", Network: "n2k", Text: "network: n2k\n" + text}, {Number: 3, At: event.Time(3e18), By: "Jo", Text: "damaged"}}}
	m.keep(s)
	back, err := restoreManual(s)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(m.layouts, back.layouts); diff != "" || len(back.list) != 0 || back.count != 1 {
		t.Errorf("%d devices, count %d: %s", len(back.list), back.count, diff)
	}
	mod := &model{manual: back}
	plans := mod.plansWith(nil)
	if len(plans) != 1 || plans[0].Layout().Network != "n2k" {
		t.Errorf("%d layouts are in force", len(plans))
	}
}
