package archtest

import (
	"bytes"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// large libraries, each with what it does to the size of the programs. Other libraries may bring them, if the linker drops them again:
// TestNoMethodsByName.
var large = map[string]string{
	"html/template":              "it calls methods by name, so the linker keeps every exported method of every type",
	"text/template":              "it calls methods by name, so the linker keeps every exported method of every type",
	"github.com/alecthomas/kong": "it calls methods by name, so the linker keeps every exported method of every type",
	"google.golang.org/protobuf": "it adds 1 MB to the boat's program",
}

func TestNoLargeLibraries(t *testing.T) {
	for name, p := range packages(t) {
		for _, path := range p.Imports {
			for bad, why := range large {
				if path == bad || strings.HasPrefix(path, bad+"/") {
					t.Errorf("%s imports %s outside its tests: %s", name, path, why)
				}
			}
		}
	}
}

// TestNoMethodsByName: nothing in the boat's program looks methods up by names that are not known when linking. One such call costs
// 2.5 MB, as the linker then keeps every exported method of every type that may be called.
func TestNoMethodsByName(t *testing.T) {
	if testing.Short() {
		t.Skip("links a program")
	}
	// What marks such a call, as the linker prints it, is taken from a program that has one.
	probe := t.TempDir()
	for name, text := range map[string]string{"go.mod": "module probe\n", "main.go": `package main

import (
	"os"
	"reflect"
)

func main() { reflect.ValueOf(os.Stdout).MethodByName(os.Args[0]) }
`} {
		if err := os.WriteFile(filepath.Join(probe, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if len(methodsByName(t, probe, ".")) == 0 {
		t.Fatal("the linker no longer marks who looks methods up by name as <ReflectMethod>: see cmd/link/internal/ld/deadcode.go for what it does")
	}
	for _, who := range methodsByName(t, root(t), "./cmd/muster") {
		t.Errorf("%s looks methods up by a name that is not known when linking; go build -ldflags=-dumpdep ./cmd/muster tells who calls it", who)
	}
}

// methodsByName builds a program and lists the functions in it that the linker marks so.
func methodsByName(t *testing.T, dir, program string) []string {
	t.Helper()
	cmd := exec.Command("go", "build", "-ldflags=-dumpdep", "-o", filepath.Join(t.TempDir(), "program"), program)
	cmd.Dir = dir
	cmd.Env = append(os.Environ(), "GOFLAGS=-mod=readonly -buildvcs=false", "GOWORK=off", "CGO_ENABLED=0")
	out, err := cmd.CombinedOutput() // who needs whom, a line each: FUNCTION <MARK> -> FUNCTION <MARK>
	if err != nil {
		t.Fatalf("go build: %v: %s", err, out[:min(len(out), 2000)])
	}
	if !bytes.Contains(out, []byte(" -> main.main")) {
		t.Fatalf("go build printed no dependencies: %s", out[:min(len(out), 2000)])
	}
	marked := map[string]bool{}
	for line := range strings.Lines(string(out)) {
		for who := range strings.SplitSeq(strings.TrimSpace(line), " -> ") {
			if name, ok := strings.CutSuffix(who, " <ReflectMethod>"); ok {
				marked[name] = true
			}
		}
	}
	return slices.Sorted(maps.Keys(marked))
}
