package pages

import (
	"strings"
	"testing"

	"muster/internal/boat"
	"muster/internal/report"
)

// TestUnitSheet: a unit of several NAMEs shows them and what they are joined by; one of a single NAME shows nothing more.
func TestUnitSheet(t *testing.T) {
	u := &report.Unit{ID: "a", Why: []boat.Reason{boat.BySerial}, Presences: []*report.Device{{ID: "b"}, {ID: "a", Left: true}}}
	var b strings.Builder
	if err := unitSheet(u).Render(&b); err != nil {
		t.Fatal(err)
	}
	if got, want := words(b.String()), "NAME b used now NAME a used before one unit because same manufacturer, product and serial number"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if unitSheet(&report.Unit{ID: "a", Presences: u.Presences[:1]}) != nil {
		t.Error("a sheet for one NAME")
	}
}
