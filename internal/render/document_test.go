package render

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"muster/internal/job"
)

// Every document opens without a warning (qpdf), names its title and language, and brings its fonts along (poppler).
func TestDocumentsOpen(t *testing.T) {
	var layout bytes.Buffer
	if err := BackbonePDF(&layout, readAudit(t), &job.Job{Number: "2026-7"}, noon.UTC()); err != nil {
		t.Fatal(err)
	}
	commissioning := filepath.Join(t.TempDir(), "layout.pdf")
	if err := os.WriteFile(commissioning, layout.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	for file, title := range map[string]string{writePDF(t, build(t, 2)): "Service record 2026-114", commissioning: "Commissioning report 2026-7"} {
		run := func(program string, args ...string) string {
			out, err := exec.Command(need(t, program), args...).CombinedOutput()
			if err != nil {
				t.Errorf("%s: %v: %s", title, err, out)
			}
			return string(out)
		}
		if out := run("qpdf", "--check", file); strings.Contains(out, "WARNING") || !strings.Contains(out, "No syntax or stream encoding errors found") {
			t.Errorf("%s: %s", title, out)
		}
		if out := run("pdfinfo", file); !strings.Contains(out, title) {
			t.Errorf("no title %q:\n%s", title, out)
		}
		if out := run("qpdf", "--json", file); !strings.Contains(out, `"/Lang": "u:en-GB"`) {
			t.Errorf("%s: no language", title)
		}
		fonts := strings.Split(strings.TrimSpace(run("pdffonts", file)), "\n")
		if len(fonts) != 4 {
			t.Fatalf("%s: %d fonts, want the two Go fonts", title, len(fonts)-2)
		}
		for _, font := range fonts[2:] { // name, type, encoding, embedded, subset, with a map to Unicode, object and its generation
			if f := strings.Fields(font); f[len(f)-5] != "yes" {
				t.Errorf("%s: a font is not embedded: %s", title, font)
			}
		}
	}
}
