package archtest

import (
	"go/ast"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// impure imports, each with the reason.
var impure = map[string]string{
	"os":                         "it does I/O",
	"os/exec":                    "it does I/O",
	"os/signal":                  "it does I/O",
	"net":                        "it does I/O",
	"net/http":                   "it does I/O",
	"syscall":                    "it does I/O",
	"log":                        "it logs",
	"log/slog":                   "it logs",
	"github.com/rs/zerolog":      "it logs",
	"math/rand":                  "its numbers differ from run to run",
	"crypto/rand":                "its numbers differ from run to run",
	"golang.org/x/sys/unix":      "it does I/O",
	"golang.org/x/sync":          "it starts goroutines",
	"golang.org/x/sync/errgroup": "it starts goroutines",
}

// accepted third parties of pure packages, each with what makes it pure enough.
var accepted = map[string]string{
	"github.com/adrianmo/go-nmea":    "it reads text; its functions that read a clock or change what all share are in library",
	"github.com/go-pdf/fpdf":         "it makes bytes: pictures and fonts are given to it as such",
	"github.com/goccy/go-yaml":       "it reads text",
	"github.com/jedib0t/go-pretty":   "it makes text",
	"go.einride.tech/can":            "its frames are values",
	"golang.org/x/image/font/gofont": "its fonts are values",
	"golang.org/x/image/draw":        "it scales pictures in memory",
	"maragu.dev/gomponents":          "it makes text",
	"rsc.io/qr":                      "it makes modules of a text",
}

// library are functions of go-nmea that a pure package does not call.
var library = map[string]string{
	"DateTime":           "it reads the clock when it is given no year",
	"Parse":              "all who call it wait for one lock: use a SentenceParser",
	"RegisterParser":     "it changes what all share",
	"MustRegisterParser": "it changes what all share",
}

// acceptedBy reports whether an import is of the standard library, ours, or accepted.
func acceptedBy(path string) bool {
	first, _, _ := strings.Cut(path, "/")
	if !strings.Contains(first, ".") {
		return true
	}
	for third := range accepted {
		if path == third || strings.HasPrefix(path, third+"/") {
			return true
		}
	}
	return false
}

// clock functions of package time.
var clock = map[string]bool{"Now": true, "Since": true, "Until": true, "After": true, "AfterFunc": true, "Sleep": true, "Tick": true,
	"NewTimer": true, "NewTicker": true, "Local": true}

// global functions of math/rand/v2; a generator that the caller seeds is fine.
var seeded = map[string]bool{"New": true, "NewPCG": true, "NewChaCha8": true, "NewZipf": true, "Rand": true, "PCG": true,
	"ChaCha8": true, "Source": true, "Zipf": true}

func TestPurity(t *testing.T) {
	all := packages(t)
	for _, name := range slices.Concat(pure, printers) {
		p, exists := all[name]
		if !exists {
			continue
		}
		t.Run(name, func(t *testing.T) {
			for _, file := range p.sources() {
				fset, f := parse(t, file)
				for _, spec := range f.Imports {
					path, err := strconv.Unquote(spec.Path.Value)
					if err != nil {
						t.Fatal(err)
					}
					if !acceptedBy(path) && impure[path] == "" {
						t.Errorf("%s: a pure package imports %s, which is not accepted there", fset.Position(spec.Pos()), path)
					}
					for bad, why := range impure {
						if path == bad {
							t.Errorf("%s: a pure package imports %s: %s", fset.Position(spec.Pos()), path, why)
						}
					}
				}
				ast.Inspect(f, func(n ast.Node) bool {
					switch n := n.(type) {
					case *ast.GoStmt:
						t.Errorf("%s: a pure package starts a goroutine", fset.Position(n.Pos()))
					case *ast.FuncDecl:
						if n.Recv == nil && n.Name.Name == "init" {
							t.Errorf("%s: a pure package has an init function", fset.Position(n.Pos()))
						}
					case *ast.SelectorExpr:
						x, ok := n.X.(*ast.Ident)
						if !ok {
							break
						}
						switch {
						case x.Name == "time" && clock[n.Sel.Name]:
							t.Errorf("%s: a pure package reads the clock: time.%s", fset.Position(n.Pos()), n.Sel.Name)
						case x.Name == "nmea" && library[n.Sel.Name] != "":
							t.Errorf("%s: a pure package calls nmea.%s: %s", fset.Position(n.Pos()), n.Sel.Name, library[n.Sel.Name])
						case x.Name == "rand" && !seeded[n.Sel.Name]:
							t.Errorf("%s: a pure package draws unseeded numbers: rand.%s", fset.Position(n.Pos()), n.Sel.Name)
						case x.Name == "fmt" && strings.HasPrefix(n.Sel.Name, "Print"):
							t.Errorf("%s: a pure package prints: fmt.%s", fset.Position(n.Pos()), n.Sel.Name)
						}
					}
					return true
				})
			}
		})
	}
}
