package archtest

import (
	"bytes"
	"flag"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/licensecheck"
)

var update = flag.Bool("update", false, "write the list of licences again")

// allowed are the licences that a module may have: each lets the program be given to anybody, and asks for its text to be kept.
var allowed = []string{"Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "ISC", "MIT"}

// TestLicences: every module that is built into a program, on any system, has a licence of the list, and deploy/licences.md names it.
func TestLicences(t *testing.T) {
	modules := map[string]string{} // name and version to folder
	for _, system := range []string{"linux", "windows", "darwin"} {
		cmd := exec.CommandContext(t.Context(), "go", "list", "-deps", "-f",
			"{{with .Module}}{{if not .Main}}{{.Path}} {{.Version}}\t{{.Dir}}{{end}}{{end}}", "./cmd/muster", "./cmd/muster-hub")
		cmd.Dir, cmd.Env = root(t), append(os.Environ(), "GOOS="+system, "CGO_ENABLED=0")
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("go list for %s: %v", system, err)
		}
		for line := range strings.Lines(string(out)) {
			if name, dir, ok := strings.Cut(strings.TrimSpace(line), "\t"); ok {
				modules[name] = dir
			}
		}
	}
	if len(modules) < 20 {
		t.Fatalf("%d modules, want all that the programs are built of", len(modules))
	}
	text := bytes.NewBufferString("# Licences\n\nOf the modules that are built into `muster` and `muster-hub`, besides Go's own library. The table is written from their files:\n" +
		"`go test ./internal/archtest -run TestLicences -update`.\n\n| module | version | licence |\n| --- | --- | --- |\n")
	for _, name := range slices.Sorted(maps.Keys(modules)) {
		module, version, _ := strings.Cut(name, " ")
		ids := licences(t, modules[name])
		for _, id := range ids {
			if !slices.Contains(allowed, id) {
				t.Errorf("%s has licence %s, which is not one of %v", module, id, allowed)
			}
		}
		if len(ids) == 0 {
			t.Errorf("%s: no licence found in %s", module, modules[name])
		}
		fmt.Fprintf(text, "| %s | %s | %s |\n", module, version, strings.Join(ids, ", "))
	}
	text.WriteString("\nThe pages hold uPlot 1.6.32 (MIT) with its licence: `internal/ui/static/uplot.LICENSE.txt`.\n")
	file := filepath.Join(root(t), "deploy", "licences.md")
	if *update {
		if err := os.WriteFile(file, text.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	kept, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(kept), text.String()); diff != "" {
		t.Errorf("deploy/licences.md (-kept +now): -update writes it\n%s", diff)
	}
}

// licences are those that the files of a module's top folder hold, by their SPDX names.
func licences(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	ids := map[string]bool{}
	for _, e := range entries {
		name := strings.ToUpper(e.Name())
		if e.IsDir() || !strings.HasPrefix(name, "LICEN") && !strings.HasPrefix(name, "COPYING") {
			continue
		}
		text, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		cover := licensecheck.Scan(text)
		if cover.Percent < 70 {
			t.Errorf("%s: only %.0f %% of %s is the text of a known licence", dir, cover.Percent, e.Name())
		}
		for _, m := range cover.Match {
			ids[m.ID] = true
		}
	}
	return slices.Sorted(maps.Keys(ids))
}
