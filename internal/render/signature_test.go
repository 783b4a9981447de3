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

// TestSignature: a signature that was drawn is on the record as it was drawn; a typed name is a name.
func TestSignature(t *testing.T) {
	r := tenSteps(t)
	drawn := *r.Account.SignOff
	drawn.Strokes = [][][2]int{{{100, 50}, {300, 250}, {500, 50}}, {{700, 120}}}
	for _, c := range []struct {
		name string
		sign job.Statement
		path string
	}{
		{"typed", *r.Account.SignOff, ""},
		{"drawn", drawn, `viewBox="92 42 616 216"><path d="M100 50L300 250L500 50L500 50M700 120L700 120"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			r.Account.SignOff = &c.sign
			var html bytes.Buffer
			if err := ServiceRecordHTML(&html, r); err != nil {
				t.Fatal(err)
			}
			if got := strings.Contains(html.String(), `aria-label="Signature of `); got != (c.path != "") || !strings.Contains(html.String(), c.path) {
				t.Errorf("drawn: %v; wanted %q", got, c.path)
			}
			if ink := inkBelow(t, writePDF(t, r)); ink != (c.path != "") {
				t.Errorf("ink on paper where the signature is: %v", ink)
			}
		})
	}
}

// inkBelow reports whether a PDF draws round lines, as nothing but a signature does.
func inkBelow(t *testing.T, pdf string) bool {
	t.Helper()
	plain := filepath.Join(t.TempDir(), "plain.pdf")
	if out, err := exec.Command(need(t, "qpdf"), "--qdf", "--object-streams=disable", pdf, plain).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	text, err := os.ReadFile(plain)
	if err != nil {
		t.Fatal(err)
	}
	return bytes.Contains(text, []byte("1 J\n"))
}
