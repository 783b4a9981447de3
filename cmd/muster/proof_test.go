package main

import (
	"bytes"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"muster/internal/cli"
)

// TestProofScripts drives snapshots, comparison, the service record and the backbone's audit from outside.
func TestProofScripts(t *testing.T) {
	examples, err := filepath.Abs("../../deploy/examples")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata/proof",
		Setup: func(e *testscript.Env) error {
			e.Setenv("EXAMPLES", examples)
			e.Setenv("VERSION1", filepath.Join(examples, "../../cmd/muster/testdata/snapshot-v1.json")) // as a release with it wrote it
			return nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"status":    status,
			"onlylines": onlyLines,
		},
		RequireUniqueNames: true,
	})
}

// needs finds a program of another hand. Without it the test is skipped, or fails when nothing may be skipped.
func needs(t *testing.T, program string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatalf("%s is not installed", program)
		}
		t.Skipf("%s is not installed", program)
	}
	return path
}

// muster runs the program within the test and returns its standard output.
func muster(t *testing.T, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	a := &app{stdin: strings.NewReader(""), stdout: &out, stderr: &errs}
	if status := a.run(t.Context(), args); status != exitDone {
		t.Fatalf("muster %s: exit status %d: %s", strings.Join(args, " "), status, &errs)
	}
	return out.String()
}

// TestValidHTML has the pages that are made for paper checked by HTML Tidy.
func TestValidHTML(t *testing.T) {
	tidy := needs(t, "tidy")
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	before, after, examples := in("before.json"), in("after.json"), filepath.FromSlash("../../deploy/examples/")
	muster(t, "snapshot", "sim:demo", "--ask", "--for", "20s", "-o", before)
	muster(t, "snapshot", "sim:demo", "--ask", "--for", "6m", "-o", after)
	muster(t, "service-record", before, after, "--job", examples+"job.yaml", "-o", in("record.html"))
	muster(t, "backbone", examples+"layout.yaml", after, "-o", in("backbone.html"))
	muster(t, "plan", after, "--sheets", "../../deploy/sheets", "-o", in("order.html"))
	if err := os.WriteFile(in("comparison.html"), []byte(muster(t, "compare", before, after, "--format", "html")), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"record.html", "backbone.html", "comparison.html", "order.html"} {
		t.Run(name, func(t *testing.T) {
			out, err := exec.Command(tidy, "-errors", "-quiet", in(name)).CombinedOutput()
			if _, exited := errors.AsType[*exec.ExitError](err); err != nil && !exited {
				t.Fatal(err)
			}
			for line := range strings.Lines(string(out)) {
				if line = strings.TrimSpace(line); line != "" {
					t.Error(line)
				}
			}
		})
	}
}

// TestWriteFile: whole or not at all, and never over another file unless forced.
func TestWriteFile(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "a.json")
	read := func(want string) {
		t.Helper()
		if got, err := os.ReadFile(name); err != nil || string(got) != want {
			t.Errorf("%q, %v; want %q", got, err, want)
		}
	}
	if err := writeFile(name, []byte("one"), false); err != nil {
		t.Fatal(err)
	}
	read("one")
	if err := writeFile(name, []byte("two"), false); err == nil || !strings.Contains(err.Error(), "the file exists") {
		t.Errorf("overwritten: %v", err)
	}
	read("one")
	if err := writeFile(name, []byte("three"), true); err != nil {
		t.Fatal(err)
	}
	read("three")
	temp := filepath.Join(dir, "late")
	if err := os.WriteFile(temp, []byte("four"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := place(temp, name, false); err == nil {
		t.Error("a file that came in the meantime was overwritten")
	}
	read("three")
	if err := writeFile(filepath.Join(dir, "none", "a.json"), nil, false); err == nil {
		t.Error("written into a folder that is not there")
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 2 { // a.json and late
		t.Errorf("left behind: %v, %v", entries, err)
	}
}

// TestVerifyOfAnotherVersion: a snapshot whose report another muster made, with its own words, is distinguished from
// one that was altered: the seal holds, and the way out is named.
func TestVerifyOfAnotherVersion(t *testing.T) {
	dir := t.TempDir()
	log, file := filepath.Join(dir, "quay.log"), filepath.Join(dir, "quay.json")
	muster(t, "simulate", "demo", "--to", log, "--for", "20s")
	muster(t, "snapshot", log, "-o", file)
	for _, c := range []struct{ program, want string }{
		{"0.9", "; it was taken by muster 0.9, and this is " + cli.Version() + ", which may read more from the same capture: check it with that one; the seal itself holds\n"},
		{cli.Version(), "; it must be made with the --config that it was taken with, if there was one; the seal itself holds\n"},
	} {
		s, err := decodeSnapshot(t.Context(), file)
		if err != nil {
			t.Fatal(err)
		}
		s.Program, s.Report.Devices[0].Product.Software = c.program, "0.1"
		if err := s.Close(nil); err != nil {
			t.Fatal(err)
		}
		text, err := s.Encode()
		if err != nil {
			t.Fatal(err)
		}
		if err := writeFile(file, text, true); err != nil {
			t.Fatal(err)
		}
		var out bytes.Buffer
		a := &app{stdin: strings.NewReader(""), stdout: &out, stderr: &out}
		if status := a.run(t.Context(), []string{"verify", file}); status != exitUsage {
			t.Errorf("status %d", status)
		}
		if got := out.String(); !strings.Contains(got, "quay.json: NOT in order: the report made again from ") || !strings.Contains(got, c.want) {
			t.Errorf("got %s, want %s", got, c.want)
		}
	}
}
