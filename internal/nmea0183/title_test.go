package nmea0183

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

func TestTitles(t *testing.T) {
	if !slices.IsSortedFunc(titles, func(a, b [2]string) int { return strings.Compare(a[0], b[0]) }) {
		t.Error("the types are not sorted")
	}
	for _, f := range formats {
		if Title(f.name) == "" {
			t.Errorf("%s, whose values are read, has no title", f.name)
		}
	}
	if got := Title("QQZ"); got != "" {
		t.Errorf("an unknown type is %q", got)
	}
}

// TestTitlesAgreeWithLibrary compares the titles with the list of sentences in go-nmea's documentation: both describe
// the same.
func TestTitlesAgreeWithLibrary(t *testing.T) {
	dir, err := exec.CommandContext(t.Context(), "go", "list", "-m", "-f", "{{.Dir}}", "github.com/adrianmo/go-nmea").Output()
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(strings.TrimSpace(string(dir)), "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	theirs := map[string]string{}
	for _, m := range regexp.MustCompile(`(?m)^\| \[?([A-Z]{3})\b[^|]*\| ([^|]*?) *\|`).FindAllStringSubmatch(string(text), -1) {
		theirs[m[1]] = m[2]
	}
	if len(theirs) < 80 {
		t.Fatalf("their list has only %d sentences", len(theirs))
	}
	// "Acknowledgement", "GNSS fix data" and "VHF data-link message" have other words here; the other two are not on
	// their list.
	other := []string{"ABK", "GNS", "VDM", "MHU", "MMB"}
	stems := func(text string) (list []string) {
		for _, w := range regexp.MustCompile(`[a-z]{4,}`).FindAllString(strings.ToLower(text), -1) {
			list = append(list, w[:min(len(w), 5)])
		}
		return list
	}
	for _, title := range titles {
		their, known := theirs[title[0]]
		agree := slices.ContainsFunc(stems(title[1]), func(w string) bool { return slices.Contains(stems(their), w) })
		if agree == slices.Contains(other, title[0]) {
			t.Errorf("%s: %q, they say %q (in their list: %v)", title[0], title[1], their, known)
		}
	}
}
