package archtest

import (
	"go/ast"
	"path/filepath"
	"strings"
	"testing"
)

// readers are functions that read or decode without a bound; what comes from outside goes through internal/input.
var readers = map[string]bool{
	"encoding/json.Unmarshal": true, "encoding/json.NewDecoder": true, "encoding/xml.Unmarshal": true, "encoding/xml.NewDecoder": true,
	"encoding/gob.NewDecoder": true, "io.ReadAll": true, "os.ReadFile": true,
}

// ownReaders are the files that call one of them all the same, each with the reason.
var ownReaders = map[string]string{
	"cmd/muster-hub/servers.go":     "keys and certificates that the operator of the hub names",
	"cmd/muster/doctor_system.go":   "values of the kernel, and 500 bytes of the daemon's answer",
	"cmd/muster/words.go":           "a line of the kernel",
	"internal/api/describe.go":      "the description that the program itself has just written",
	"internal/api/shelf.go":         "snapshots that the program itself wrote; their size is looked at first",
	"internal/daemon/ask.go":        "a line of the system",
	"internal/fleet/session.go":     "the certificates of the authority that the config names",
	"internal/fleet/trust/book.go":  "the list of boats that the program itself wrote",
	"internal/fleet/trust/trust.go": "keys that the program itself wrote",
	"internal/tap/adapters.go":      "what the kernel shows of an adapter",
	"internal/ui/reference.go":      "the description that the program itself has",
	"internal/fleet/uplink.go":      "it only compares what the files hold",
}

// TestOneReader holds that nothing but internal/input decodes what comes from outside.
func TestOneReader(t *testing.T) {
	used := map[string]bool{}
	for name, p := range packages(t) {
		if name == reader || strings.HasSuffix(name, "test") || strings.Contains(name, "/testdata/") {
			continue
		}
		for _, file := range p.sources() {
			short, err := filepath.Rel(root(t), file)
			if err != nil {
				t.Fatal(err)
			}
			fset, f := parse(t, file)
			paths := map[string]string{}
			for _, spec := range f.Imports {
				path := strings.Trim(spec.Path.Value, `"`)
				local := path[strings.LastIndexByte(path, '/')+1:]
				if spec.Name != nil {
					local = spec.Name.Name
				}
				paths[local] = path
			}
			ast.Inspect(f, func(n ast.Node) bool {
				s, ok := n.(*ast.SelectorExpr)
				if !ok {
					return true
				}
				x, ok := s.X.(*ast.Ident)
				if !ok {
					return true
				}
				if call := paths[x.Name] + "." + s.Sel.Name; readers[call] {
					used[short] = true
					if ownReaders[short] == "" {
						t.Errorf("%s: %s: read it through %s", fset.Position(s.Pos()), call, reader)
					}
				}
				return true
			})
		}
	}
	for file := range ownReaders {
		if !used[file] {
			t.Errorf("%s needs no exception any more: remove it", file)
		}
	}
}
