package archtest

import (
	"go/ast"
	"testing"
)

// TestRawMarkup: only texts of the program's own go into a page as they are; all others are escaped. Style sheets are files of ours.
func TestRawMarkup(t *testing.T) {
	const library = `"maragu.dev/gomponents"`
	pages := 0
	for _, p := range packages(t) {
		for _, file := range p.sources() {
			fset, f := parse(t, file)
			name := ""
			for _, spec := range f.Imports {
				if spec.Path.Value == library && spec.Name != nil {
					name = spec.Name.Name
				} else if spec.Path.Value == library {
					name = "gomponents"
				}
			}
			if name == "" {
				continue
			}
			pages++
			ast.Inspect(f, func(n ast.Node) bool {
				call, ok := n.(*ast.CallExpr)
				if !ok {
					return true
				}
				of, ok := call.Fun.(*ast.SelectorExpr)
				if !ok {
					return true
				}
				from, _ := of.X.(*ast.Ident)
				switch {
				case of.Sel.Name == "StyleEl":
					return false
				case from == nil || from.Name != name:
				case of.Sel.Name == "Rawf":
					t.Errorf("%s: Rawf writes values as they are: use Textf", fset.Position(call.Pos()))
				case of.Sel.Name == "Raw":
					if _, literal := call.Args[0].(*ast.BasicLit); !literal {
						t.Errorf("%s: Raw takes only a text that stands there: use Text for what is not markup of ours", fset.Position(call.Pos()))
					}
				}
				return true
			})
		}
	}
	if pages == 0 {
		t.Error("no page was found: does " + library + " have another name?")
	}
}
