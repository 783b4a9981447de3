package pages

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"muster/internal/check"
)

var (
	namedPage    = regexp.MustCompile(`\bpage ([A-Z][a-z]+)(?: under ([A-Z][A-Za-z ]*))?`)
	namedSection = regexp.MustCompile(`\bpage of (?:the|that) unit(?: under ([A-Z][A-Za-z ]*))?`)
	headings     = regexp.MustCompile(`<h[1234][^>]*>(?:<[^>]*>)*([^<]+)`)
)

// headingsOf are the headings of a kind of page, in the demo's boat and in the one of faults.
func headingsOf(t *testing.T, page string) map[string]bool {
	t.Helper()
	all := map[string]bool{}
	for _, boat := range []string{"demo", "faults", "odd"} {
		text, err := os.ReadFile(filepath.Join("testdata", boat, page+".html"))
		if os.IsNotExist(err) {
			continue
		} else if err != nil {
			t.Fatal(err)
		}
		for _, m := range headings.FindAllStringSubmatch(string(text), -1) {
			all[strings.TrimSpace(m[1])] = true
		}
	}
	if len(all) == 0 {
		t.Fatalf("there is no page %s", page)
	}
	return all
}

// TestRemediesNameWhatIsThere: each page that a remedy names is one of these pages, and each heading after "under" is on it. What muster
// itself shows or keeps is never named without the place.
func TestRemediesNameWhatIsThere(t *testing.T) {
	pages := map[string]map[string]bool{}
	for title, page := range map[string]string{"Boat": "boat", "Network": "network", "Work": "work", "Snapshots": "snapshots",
		"Silences": "silences", "Traffic": "traffic"} {
		pages[title] = headingsOf(t, page)
	}
	unit := headingsOf(t, "device")
	for _, m := range headings.FindAllStringSubmatch(commandedSection(t), -1) { // a section that only some units have
		unit[m[1]] = true
	}
	needs := []struct{ words, place *regexp.Regexp }{
		{regexp.MustCompile(`baseline`), regexp.MustCompile(`page Snapshots`)},
		{regexp.MustCompile(`by hand|under Entered`), regexp.MustCompile(`page Work`)},
		{regexp.MustCompile(`work order`), regexp.MustCompile(`page Work`)},
		{regexp.MustCompile(`bus load|load of the line`), regexp.MustCompile(`page Network|muster audit`)},
		{regexp.MustCompile(`(?i)(enter|add|remove|correct|check) [a-z ]*layout`), regexp.MustCompile(`page Network|muster backbone`)},
		{regexp.MustCompile(`(?i)\backnowledge`), regexp.MustCompile(`page Boat`)},
		{regexp.MustCompile(`silences`), regexp.MustCompile(`page Silences`)},
		{regexp.MustCompile(`list of units|finding |the unit's page`), regexp.MustCompile(`^never$`)},
	}
	named := 0
	for _, id := range check.IDs() {
		for _, c := range check.TextOf(id).Cases {
			for _, step := range c.Remedy {
				for _, m := range namedPage.FindAllStringSubmatch(step.Text, -1) {
					named++
					has := pages[m[1]]
					if has == nil || m[2] != "" && !has[m[2]] {
						t.Errorf("%s: no page %q with %q: %s", id, m[1], m[2], step.Text)
					}
				}
				for _, m := range namedSection.FindAllStringSubmatch(step.Text, -1) {
					named++
					if m[1] != "" && !unit[m[1]] {
						t.Errorf("%s: the page of a unit has no %q: %s", id, m[1], step.Text)
					}
				}
				for _, need := range needs {
					if need.words.MatchString(step.Text) && !need.place.MatchString(step.Text) {
						t.Errorf("%s: names %q but not %s: %s", id, need.words.FindString(step.Text), need.place, step.Text)
					}
				}
			}
		}
	}
	if named < 15 {
		t.Errorf("only %d places named", named)
	}
}
