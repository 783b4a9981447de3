package archtest

import (
	"regexp"
	"slices"
	"testing"

	"muster/internal/check"
)

// TestCheckIDs: ids are unique, sorted, well formed, and each check says what it is for.
func TestCheckIDs(t *testing.T) {
	form := regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`)
	var ids []string
	for _, rule := range check.All() {
		if !form.MatchString(rule.ID) {
			t.Errorf("check id %q is not lower-case words with hyphens", rule.ID)
		}
		if text := check.TextOf(rule.ID); text.Doc == "" || text.Term == "" || len(text.Cases) == 0 {
			t.Errorf("check %s has no doc, term or texts", rule.ID)
		}
		if rule.Severity.Rank() == 0 {
			t.Errorf("check %s has severity %q", rule.ID, rule.Severity)
		}
		if slices.Contains(ids, rule.ID) {
			t.Errorf("check id %s is used twice", rule.ID)
		}
		ids = append(ids, rule.ID)
	}
	if !slices.IsSorted(ids) {
		t.Errorf("the table of checks is not sorted by id: %v", ids)
	}
}
