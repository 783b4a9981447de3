package webtest

import (
	"os"
	"regexp"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Golden holds text to a file, or writes the file again.
func Golden(t *testing.T, file string, got []byte, update bool) {
	t.Helper()
	if update {
		if err := os.WriteFile(file, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), string(got)); d != "" {
		t.Errorf("%s is not as it would be written now (-update writes it anew; read the diff):\n%s", file, d)
	}
}

// lines are where the golden file of a page has a line of its own, which the page does not have.
var lines = regexp.MustCompile(`<(html|head|meta|title|link|script|body|header|nav|main|footer|section|div|h[1-6]|p|ul|ol|li|form|label|` +
	`table|thead|tbody|tr|details|figure|svg class="(progress|interval|load)"|rect)[ >]|</(body|main|section|ul|table)>`)

// GoldenPage is Golden for a page, which is in the file in lines.
func GoldenPage(t *testing.T, file, page string, update bool) {
	t.Helper()
	Golden(t, file, []byte(lines.ReplaceAllString(page, "\n$0")+"\n"), update)
}
