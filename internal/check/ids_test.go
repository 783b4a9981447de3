package check

import (
	"slices"
	"testing"
)

// TestID: every former id maps to a check of today, and no id of today is a former one.
func TestID(t *testing.T) {
	for _, former := range FormerIDs() {
		if now := ID(former); !slices.Contains(IDs(), now) {
			t.Errorf("ID(%q) = %q, which is no check", former, now)
		}
		if slices.Contains(IDs(), former) {
			t.Errorf("%q is a check of today and a former id", former)
		}
	}
	for _, id := range append(IDs(), "", "no-such-check") {
		if got := ID(id); got != id {
			t.Errorf("ID(%q) = %q, want it as it is", id, got)
		}
	}
}
