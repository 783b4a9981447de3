package render

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"muster/internal/backbone"
	"muster/internal/hosttest"
	"muster/internal/job"
)

func readAudit(t *testing.T) *backbone.Audit {
	return decoded[backbone.Audit](t, hosttest.Testdata(t, "evidence/audit.json"))
}

func TestBackboneGolden(t *testing.T) {
	a := readAudit(t)
	golden(t, "wagtail.txt", func(w io.Writer) error { return BackboneText(w, a) })
	golden(t, "wagtail.html", func(w io.Writer) error { return BackboneHTML(w, a, nil) })
}

func TestBackbonePDF(t *testing.T) {
	tool := need(t, "pdftotext")
	read := func(a *backbone.Audit, of *job.Job) string {
		file := filepath.Join(t.TempDir(), "report.pdf")
		var b bytes.Buffer
		if err := BackbonePDF(&b, a, of, time.Date(2026, 5, 4, 0, 0, 0, 0, time.UTC)); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(tool, "-layout", file, "-").Output()
		if err != nil {
			t.Fatal(err)
		}
		return string(out)
	}
	a := readAudit(t)
	text := read(a, &job.Job{Number: "2026-7", Technician: "Ilse"})
	for _, want := range []string{"Commissioning report 2026-7", "starboard display", "engine room", "one terminator", "heading", "missing", "page 1 of"} {
		if !strings.Contains(text, want) {
			t.Errorf("the PDF does not say %q", want)
		}
	}
	a.Findings = nil
	if text := read(a, &job.Job{}); !strings.Contains(text, nothingFound) {
		t.Errorf("the PDF does not say that nothing breaks a rule: %s", text)
	}
}

// TestLiveLines: each kind of difference from the layout has a line; a layout that was not compared with a network
// has none.
func TestLiveLines(t *testing.T) {
	if lines := LiveLines(nil); lines != nil {
		t.Errorf("got %q", lines)
	}
	l := &backbone.Live{Load: backbone.Measure{Value: 12, Limit: 10.5}, Unsaid: 2, Missing: []string{"sounder (silent)"}, Extra: []string{"VR1 radio"},
		Added: []string{"camera"}, Unidentified: []string{"device 00000000000000A5"}, NotLookedFor: []string{"gauge"}}
	want := []string{"reported 12 LEN, layout 10.5 LEN; devices that report no LEN: 2", "in the layout, not on the network: sounder (silent)", "on the network, not in the layout: 1 device",
		"proposed, already on the network: camera", "on the network, identity not reported: device 00000000000000A5",
		"in the layout without model, role or NAME, so not compared: gauge"}
	if got := LiveLines(l); strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got %q", got)
	}
}

func FuzzBackbone(f *testing.F) {
	text, err := os.ReadFile(hosttest.Testdata(f, "layouts/wagtail.yaml"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte("segments:\n  - {from: a, to: b, length: 1 m, cable: micro}\npower:\n  - {at: a, voltage: 12}\n"))
	f.Fuzz(func(t *testing.T, in []byte) {
		l, err := backbone.Parse(t.Context(), "", in)
		if err != nil || len(l.Segments) > 40 {
			return
		}
		a := backbone.Judge(l)
		if err := BackboneText(io.Discard, a); err != nil {
			t.Error(err)
		}
		if err := BackboneHTML(io.Discard, a, nil); err != nil {
			t.Error(err)
		}
	})
}
