package check

import (
	"slices"
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

// TestAlike: like findings come together in their order, the worst kind first, and none is lost or doubled.
func TestAlike(t *testing.T) {
	list := []Finding{
		{Check: "silent", Severity: Warning, Subject: "a"}, {Check: "bus-off", Severity: Critical, Subject: "b"}, {Check: "silent", Severity: Info, Subject: "c"},
		{Check: "empty-data", Severity: Warning, Subject: "d"}, {Check: "silent", Severity: Warning, Subject: "e"},
	}
	var got []string
	for _, kind := range Alike(list, func(f *Finding) (string, Severity) { return f.Check, f.Severity }) {
		words := ""
		for _, f := range kind {
			words += f.Subject
		}
		got = append(got, words)
	}
	if want := []string{"b", "d", "ae", "c"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	one, two := []Step{{Look, "Look."}}, []Step{{Change, "Change."}}
	if d := Distinct([][]Step{one, nil, two, one}); len(d) != 2 || d[0][0] != one[0] || d[1][0] != two[0] {
		t.Errorf("%v", d)
	}
	if Briefly("a-check-of-a-later-version", 3) == "" || Briefly("a-check-of-a-later-version", 1) != "" {
		t.Error("words for a check that is not known")
	}
}
