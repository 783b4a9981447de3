package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"muster/internal/report"
)

func TestMain(m *testing.M) {
	testscript.Main(benchTests{m}, map[string]func(){"muster": func() { os.Exit(run()) }})
}

// TestScripts drives the program from outside: flags, exit status, both outputs.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"status":    status,
			"isreport":  isReport,
			"onlylines": onlyLines,
		},
		RequireUniqueNames: true,
	})
}

// status runs muster and expects its exit status: status 2 audit nothing.log
func status(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 {
		ts.Fatalf("usage: status N [args...]")
	}
	err := ts.Exec("muster", args[1:]...)
	got := "0"
	if err != nil {
		got = strings.TrimPrefix(err.Error(), "exit status ")
	}
	if got != args[0] {
		ts.Fatalf("exit status %s, want %s", got, args[0])
	}
}

// isReport expects a file, or stdout, to be a device report and nothing else.
func isReport(ts *testscript.TestScript, neg bool, args []string) {
	d := json.NewDecoder(bytes.NewReader([]byte(ts.ReadFile(args[0]))))
	var r report.Report
	if err := d.Decode(&r); err != nil || r.Schema != report.V2 || d.More() {
		ts.Fatalf("no report: %v, schema %q", err, r.Schema)
	}
}

// onlyLines expects every line of a file, or of stderr, to begin with one of the words given: onlylines stderr error:
// hint:
func onlyLines(ts *testscript.TestScript, neg bool, args []string) {
	for l := range strings.Lines(ts.ReadFile(args[0])) {
		ok := false
		for _, w := range args[1:] {
			ok = ok || strings.HasPrefix(l, w)
		}
		if !ok {
			ts.Fatalf("line %q", l)
		}
	}
}

// TestMainIsThin keeps main a main.
func TestMainIsThin(t *testing.T) {
	text, err := os.ReadFile("main.go")
	if err != nil {
		t.Fatal(err)
	}
	if n := bytes.Count(text, []byte("\n")); n >= 80 {
		t.Errorf("main.go has %d lines", n)
	}
}

func TestNumbered(t *testing.T) {
	for in, want := range map[string]string{"quay.log": "quay-0003.log", "a/quay.log.zst": "a/quay-0003.log.zst", "v1.2.pcapng": "v1.2-0003.pcapng", ".log": ".log-0003"} {
		if got := numbered(filepath.FromSlash(in), 3); got != filepath.FromSlash(want) {
			t.Errorf("%s: %s, want %s", in, got, want)
		}
	}
}

func TestByteSize(t *testing.T) {
	for in, want := range map[string]int64{"4096": 4096, "500kB": 500_000, "100MB": 100_000_000, "1.5 GiB": 3 << 29, "7B": 7} {
		var got byteSize
		if err := got.Set(in); err != nil || int64(got) != want {
			t.Errorf("%s: %d, %v; want %d", in, got, err, want)
		}
	}
	for _, in := range []string{"", "much", "-1MB", "0", "5XB", "NaN", "1e300GB", "MB"} {
		var got byteSize
		if err := got.Set(in); err == nil {
			t.Errorf("%q: accepted as %d", in, got)
		}
	}
}
