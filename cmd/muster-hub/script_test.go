package main

import (
	"os"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"muster-hub": func() { os.Exit(run()) }})
}

// TestScripts drives the program from outside: flags, exit status, both outputs.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                "testdata/script",
		Cmds:               map[string]func(ts *testscript.TestScript, neg bool, args []string){"refuse": refuse},
		RequireUniqueNames: true,
	})
}

// refuse runs muster-hub and expects bad usage in lines of error and hint, with a text in them: refuse TEXT boats
// --format xml
func refuse(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: refuse TEXT args...")
	}
	err := ts.Exec("muster-hub", args[1:]...)
	if err == nil || err.Error() != "exit status 2" {
		ts.Fatalf("%v, want exit status 2", err)
	}
	told := ts.ReadFile("stderr")
	if !strings.Contains(told, args[0]) {
		ts.Fatalf("%q is not in %q", args[0], told)
	}
	for l := range strings.Lines(told) {
		if !strings.HasPrefix(l, "error: ") && !strings.HasPrefix(l, "hint: ") {
			ts.Fatalf("line %q", l)
		}
	}
}
