package check

import (
	"strings"
	"testing"
)

// TestBriefly: every check has short words for one of its findings and for several, and no word beside that.
func TestBriefly(t *testing.T) {
	for _, id := range IDs() {
		one, many := Briefly(id, 1), Briefly(id, 11)
		if !strings.Contains(one, "1") || !strings.Contains(many, "11") || strings.Contains(one+many, "{") || len(one) > 50 || len(many) > 50 {
			t.Errorf("%s: %q, %q", id, one, many)
		}
	}
	if len(briefly) != len(IDs()) {
		t.Errorf("words for %d checks, of %d", len(briefly), len(IDs()))
	}
}
