package ui

import (
	"flag"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"muster/internal/ui/webtest"
)

var update = flag.Bool("update", false, "rewrite the golden files")

var style = regexp.MustCompile(`(?s)<style>.+</style>`)

// TestGolden compares the self-contained report with the reviewed one.
func TestGolden(t *testing.T) {
	var page strings.Builder
	if err := WriteHTML(&page, webtest.Sample(t), "v1"); err != nil {
		t.Fatal(err)
	}
	text := style.ReplaceAllString(page.String(), "<style>…</style>")
	webtest.GoldenPage(t, filepath.Join("testdata", "alone.html"), text, *update)
}
