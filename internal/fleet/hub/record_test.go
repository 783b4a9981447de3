package hub

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestFormerIDs: a record that an earlier version kept has the keys of today, and its alerts under the ids of today, so that what the boat
// sends next finds them.
func TestFormerIDs(t *testing.T) {
	r, err := decodeRecord([]byte(`{"last_word": "2026-06-01T08:00:00Z", "devices": [{"id": "a", "maker": "Gannet", "maker_code": 2002}], "alerts": [{"id": "bus-busy:can0", "check": "bus-busy", "severity": "warning", "summary": "busy"}],
		"changes": {"bus-busy:can0": {"at": {}, "open": false, "alert": {"id": "bus-busy:can0", "check": "bus-busy", "severity": "warning", "summary": "busy"}},
			"echo:a": {"at": {}, "open": true, "alert": {"id": "echo:a", "check": "echo", "severity": "warning", "summary": "back"}}}}`))
	if err != nil {
		t.Fatal(err)
	}
	if r.LastHeard.IsZero() || r.Devices[0].Manufacturer != "Gannet" || *r.Devices[0].ManufacturerCode != 2002 {
		t.Errorf("last heard %v, devices %+v", r.LastHeard, r.Devices)
	}
	if diff := cmp.Diff([]Alert{{ID: "data-loop:a", Check: "data-loop", Severity: "warning", Summary: "back"}}, r.open()); diff != "" {
		t.Errorf("open alerts (-want +got)\n%s", diff)
	}
	if _, err := decodeRecord([]byte("[]")); err == nil {
		t.Error("read a record that is none")
	}
}
