package archtest

import (
	"go/ast"
	"os"
	"strings"
	"testing"
)

// mostWide is how many lines of code with more than 120 columns there are at most. A new one is to be broken, not this number raised.
const mostWide = 210

// TestWidths: no line is wider than 180 columns, and few are wider than 120. Lines with a text are left out: it is found by searching
// for it, and a field's tag cannot be broken.
func TestWidths(t *testing.T) {
	wide := 0
	for _, p := range packages(t) {
		for _, file := range p.sources() {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			raw := false // within a text over several lines
			for i, line := range strings.Split(string(text), "\n") {
				within := raw
				raw = raw != (strings.Count(line, "`")%2 == 1)
				comment := strings.HasPrefix(strings.TrimSpace(line), "//")
				if n := len([]rune(line)); within || n <= 120 || strings.ContainsAny(line, "\"`") && !comment {
					continue
				} else if n > 180 {
					t.Errorf("%s:%d has %d columns, more than 180", file, i+1, n)
				} else if !comment {
					wide++
				}
			}
		}
	}
	if wide > mostWide {
		t.Errorf("%d lines of code have more than 120 columns, more than the %d of before: break the new ones", wide, mostWide)
	}
}

// longFunctions are those of more than 80 lines, each with the reason why it is not taken apart.
var longFunctions = map[string]string{}

// TestFunctionSizes: what takes more than 80 lines is taken apart, or listed with a reason.
func TestFunctionSizes(t *testing.T) {
	const most = 80
	listed := map[string]bool{}
	for name, p := range packages(t) {
		for _, file := range p.sources() {
			fset, f := parse(t, file)
			for _, d := range f.Decls {
				fn, ok := d.(*ast.FuncDecl)
				if !ok {
					continue
				}
				lines := fset.Position(fn.End()).Line - fset.Position(fn.Pos()).Line + 1
				key := name + "." + fn.Name.Name
				if lines > most && longFunctions[key] == "" {
					t.Errorf("%s: %s has %d lines, more than %d", fset.Position(fn.Pos()), fn.Name.Name, lines, most)
				}
				listed[key] = listed[key] || lines > most
			}
		}
	}
	for key := range longFunctions {
		if !listed[key] {
			t.Errorf("%s is not so long any more: take it off the list", key)
		}
	}
}
