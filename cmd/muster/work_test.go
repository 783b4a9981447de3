package main

import (
	"os"
	"path/filepath"
	"strings"
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
		Dir: "testdata/work",
		Setup: func(e *testscript.Env) error {
			e.Setenv("SHEETS", sheets)
			e.Setenv("EXAMPLES", filepath.Join(sheets, "..", "examples"))
			return os.WriteFile(filepath.Join(e.WorkDir, "proof.sh"), proof(t), 0o644)
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"status":    status,
			"onlylines": onlyLines,
		},
		RequireUniqueNames: true,
		ContinueOnError:    true,
	})
}

// proof is the script of the ledger's documentation.
func proof(t *testing.T) []byte {
	t.Helper()
	text, err := os.ReadFile("../../deploy/examples/ledger.md")
	if err != nil {
		t.Fatal(err)
	}
	_, script, ok := strings.Cut(string(text), "```sh\n")
	script, _, ended := strings.Cut(script, "```")
	if !ok || !ended {
		t.Fatal("the documentation of the ledger has no script")
	}
	return []byte(script)
}
