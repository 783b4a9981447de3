package main

import (
	"path/filepath"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestWorkScripts drives plans, their following and notes from outside.
func TestWorkScripts(t *testing.T) {
	sheets, err := filepath.Abs("../../deploy/sheets")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:   "testdata/work",
		Setup: func(e *testscript.Env) error { e.Setenv("SHEETS", sheets); return nil },
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"status":    status,
			"onlylines": onlyLines,
		},
		RequireUniqueNames: true,
		ContinueOnError:    true,
	})
}
