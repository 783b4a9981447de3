package archtest

import (
	"bytes"
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

// listed is the part of `go list -json` that the tests read.
type listed struct {
	Dir                                  string
	ImportPath                           string
	GoFiles, IgnoredGoFiles, TestGoFiles []string
	XTestGoFiles                         []string
	Imports                              []string
}

// root is the top of the module.
func root(t *testing.T) string {
	t.Helper()
	dir, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

var list = sync.OnceValues(func() ([]listed, error) {
	cmd := exec.Command("go", "list", "-e", "-json=Dir,ImportPath,GoFiles,IgnoredGoFiles,TestGoFiles,XTestGoFiles,Imports", "./...")
	cmd.Dir = "../.."
	out, err := cmd.Output()
	if err != nil {
		return nil, err
	}
	var all []listed
	for d := json.NewDecoder(bytes.NewReader(out)); ; {
		var p listed
		if err := d.Decode(&p); err == io.EOF {
			return all, nil
		} else if err != nil {
			return nil, err
		}
		all = append(all, p)
	}
})

// packages lists the module's packages. Names are module-relative: "pgn", "internal/boat".
func packages(t *testing.T) map[string]listed {
	t.Helper()
	all, err := list()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	byName := map[string]listed{}
	for _, p := range all {
		byName[strings.TrimPrefix(p.ImportPath, module)] = p
	}
	return byName
}

const module = "muster/"

// sources are the package's files that are no tests, those for other systems included.
func (p listed) sources() []string {
	var files []string
	for _, f := range append(append([]string{}, p.GoFiles...), p.IgnoredGoFiles...) {
		if !strings.HasSuffix(f, "_test.go") {
			files = append(files, filepath.Join(p.Dir, f))
		}
	}
	return files
}

func parse(t *testing.T, file string) (*token.FileSet, *ast.File) {
	t.Helper()
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, file, nil, parser.ParseComments|parser.SkipObjectResolution)
	if err != nil {
		t.Fatalf("parse: %v", err)
	}
	return fset, f
}

func TestTopLevel(t *testing.T) {
	allowed := map[string]bool{"cmd": true, "internal": true, "pgn": true, "testdata": true, "deploy": true, "go.mod": true,
		"go.sum": true, "README.md": true, "DEVELOPERS.md": true}
	entries, err := os.ReadDir(root(t))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if !allowed[e.Name()] && !strings.HasPrefix(e.Name(), ".") {
			t.Errorf("%s does not belong at the top level", e.Name())
		}
	}
}

func TestPackageComments(t *testing.T) {
	for name, p := range packages(t) {
		t.Run(name, func(t *testing.T) {
			var with []string
			for _, file := range p.sources() {
				if _, f := parse(t, file); f.Doc != nil && f.Doc.Text() != "" {
					with = append(with, filepath.Base(file))
				}
			}
			if len(p.sources()) > 0 && len(with) != 1 {
				t.Errorf("package %s has %d package comments (in %v), want exactly one", name, len(with), with)
			}
		})
	}
}

func TestFileSizes(t *testing.T) {
	const most = 800
	for _, p := range packages(t) {
		files := append(append(append([]string{}, p.GoFiles...), p.TestGoFiles...), p.XTestGoFiles...)
		for _, name := range append(files, p.IgnoredGoFiles...) {
			text, err := os.ReadFile(filepath.Join(p.Dir, name))
			if err != nil {
				t.Fatal(err)
			}
			if n := bytes.Count(text, []byte("\n")); n > most {
				t.Errorf("%s/%s has %d lines, more than %d", p.ImportPath, name, n, most)
			}
		}
	}
}

// TestExits: only main of a program ends the process.
func TestExits(t *testing.T) {
	for name, p := range packages(t) {
		for _, file := range p.sources() {
			fset, f := parse(t, file)
			ast.Inspect(f, func(n ast.Node) bool {
				call, ok := n.(*ast.SelectorExpr)
				if !ok {
					return true
				}
				x, ok := call.X.(*ast.Ident)
				if !ok {
					return true
				}
				what := x.Name + "." + call.Sel.Name
				if what == "os.Exit" && strings.HasPrefix(name, "cmd/") && filepath.Base(file) == "main.go" {
					return true
				}
				if what == "os.Exit" || strings.HasPrefix(what, "log.Fatal") {
					t.Errorf("%s: %s is for main alone", fset.Position(n.Pos()), what)
				}
				return true
			})
		}
	}
}
