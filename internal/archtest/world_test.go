package archtest

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// named finds names in a text: the first group is the name. Those with data only look at files that are no Go.
var named = []struct {
	kind string
	data bool
	find *regexp.Regexp
}{
	{"model", false, regexp.MustCompile(`\b(?:Larkfin|Gannet|Sanderling) ([A-Z]+[0-9]+|[A-Z][a-z]+ [0-9]+)\b`)},
	{"manufacturer", true, regexp.MustCompile(`\bmanufacturer: "?([A-Z][a-z]+)`)},
	{"boat", true, regexp.MustCompile(`\bboat: (?:\{(?:id: \S+ )?name: )?([A-Z][A-Za-z ]+)`)},
	{"person", true, regexp.MustCompile(`(?m)^(?:technician|customer): (.+?)$`)},
	{"call sign", false, regexp.MustCompile(`(?:callsign: "|call sign[ =]|call sign</span> <span>|CallSign: (?:sixBit\()?")([A-Z0-9]*[0-9][A-Z0-9]*|QWAGT)\b`)},
	{"MMSI", false, regexp.MustCompile(`(?i)\bmmsi[^0-9\n]{1,20}([0-9]{9})\b`)},
	{"domain", true, regexp.MustCompile(`\b((?:[a-z0-9-]+\.)*(?:[a-z0-9-]+\.example|example\.(?:com|org|net)))\b`)},
}

// TestWorld: whatever has a name in scenarios, examples and tests is of the invented world, and testdata/README.md says why it is nobody's.
func TestWorld(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(root(t), "testdata", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	listed := map[string][]string{}
	row := regexp.MustCompile("(?m)^\\| ([A-Za-z ]+) \\| (`.*`) \\| \\S.* \\|$")
	for _, m := range row.FindAllStringSubmatch(string(text), -1) {
		listed[m[1]] = append(listed[m[1]], strings.Split(strings.Trim(m[2], "`"), "`, `")...)
	}
	found := map[string]int{}
	eachText(t, func(file string, text []byte) {
		for _, n := range named {
			if n.data && filepath.Ext(file) != ".yaml" {
				continue
			}
			for _, m := range n.find.FindAllSubmatch(text, -1) {
				found[n.kind]++
				if !slices.Contains(listed[n.kind], string(m[1])) {
					t.Errorf("%s: %s %q is not in testdata/README.md: take one from there, or list it with the reason why it is nobody's", file, n.kind, m[1])
				}
			}
		}
	})
	for _, n := range named {
		if found[n.kind] == 0 {
			t.Errorf("no %s was found", n.kind)
		}
	}
}

// eachText calls look with every file of the tree that holds text, apart from the list of the invented world.
func eachText(t *testing.T, look func(file string, text []byte)) {
	t.Helper()
	for _, top := range []string{"cmd", "deploy", "internal", "pgn", "testdata", "README.md", "DEVELOPERS.md"} {
		err := filepath.WalkDir(filepath.Join(root(t), top), func(file string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() || slices.Contains([]string{".png", ".css", ".js"}, filepath.Ext(file)) || strings.HasSuffix(file, "testdata/README.md") {
				return err
			}
			text, err := os.ReadFile(file)
			look(file, text)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}
