package release

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"muster/internal/input"
	"muster/internal/input/inputtest"
)

const (
	sheetsDir   = "testdata/sheets"
	examplesDir = "../../deploy/sheets"
)

func examples(t testing.TB) *Sheets { t.Helper(); return load(t, sheetsDir) }

func load(t testing.TB, dir string) *Sheets {
	t.Helper()
	s, err := LoadFS(t.Context(), os.DirFS(dir), "sheets")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestExamples(t *testing.T) {
	for _, dir := range []string{sheetsDir, examplesDir} {
		if s := load(t, dir); len(s.Problems) > 0 || len(s.Models) < 6 {
			t.Errorf("%s: %d models, problems %v", dir, len(s.Models), s.Problems)
		}
	}
	s := examples(t)
	var got []string
	for _, m := range s.Models {
		got = append(got, m.Name+" "+m.Current.Version)
	}
	want := []string{"LF12 display 4.50", "LF9 display 4.50", "Olbo 30 sonar module 2.10.1", "Pemmo 4 imaging transducer 1.4", "SD2 sounder D", "Tavrik 7 battery monitor 20260115"}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	lf9 := s.Models[1]
	if lf9.BackWithin != 30*time.Minute || lf9.Place.Line != 4 || lf9.Place.Column != 11 {
		t.Errorf("LF9 display: back within %v, at %v", lf9.BackWithin, lf9.Place)
	}
}

func compileSchema(t testing.TB, data []byte) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("schema.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("schema.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func validateYAML(t testing.TB, s *jsonschema.Schema, data []byte) error {
	t.Helper()
	j, err := yaml.YAMLToJSON(data)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(j))
	if err != nil {
		t.Fatal(err)
	}
	return s.Validate(doc)
}

func TestExamplesFitTheSchema(t *testing.T) {
	schema := compileSchema(t, SheetSchema)
	var files []string
	for _, dir := range []string{sheetsDir, examplesDir} {
		list, err := filepath.Glob(dir + "/*.yaml")
		if err != nil || len(list) == 0 {
			t.Fatal(list, err)
		}
		files = append(files, list...)
	}
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if err := validateYAML(t, schema, data); err != nil {
			t.Errorf("%s: %v", f, err)
		}
	}
}

// The words in the schema are the words that the reader takes.
func TestSchemaWords(t *testing.T) {
	var doc struct {
		Defs struct {
			Steps struct {
				Items struct {
					AnyOf []struct {
						Enum []string `json:"enum"`
					} `json:"anyOf"`
				} `json:"items"`
			} `json:"steps"`
		} `json:"$defs"`
	}
	if err := json.Unmarshal(SheetSchema, &doc); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(sortedKeys(stepWords), doc.Defs.Steps.Items.AnyOf[0].Enum); d != "" {
		t.Error(d)
	}
}

// minimal is a sheet that is right; the bad ones below change one thing in it.
const minimal = `schema: muster.sheet/v1
models:
  - name: LF9 display
    family: larkfin-displays
    match: {manufacturer_code: 2001, model: "Larkfin LF9*"}
    numbering: {scheme: decimal}
    releases:
      - {version: 4.47}
      - {version: 4.5}
    current: 4.50
    medium: {kind: microSD card}
    minutes: 15
    needs: []
`

func TestBadSheets(t *testing.T) {
	if _, err := Load(t.Context(), SheetFile{"ok.yaml", []byte(minimal)}); err != nil {
		t.Fatal(err)
	}
	schema := compileSchema(t, SheetSchema)
	if err := validateYAML(t, schema, []byte(minimal)); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name, old, new, want string
		beyond               bool // of what a schema can express
	}{
		{name: "unknown key", old: "minutes: 15", new: "minutes: 15\n    colour: red", want: `s.yaml:13:5: unknown key "colour"`},
		{name: "syntax", old: "{scheme: decimal}", new: "{scheme: decimal", want: "s.yaml:7:5: ", beyond: true},
		{name: "twice", old: "minutes: 15", new: "minutes: 15\n    minutes: 16", want: `s.yaml:13:5: key "minutes" is there twice: remove one`, beyond: true},
		{name: "schema", old: "sheet/v1", new: "sheet/v2", want: `s.yaml:1:9: schema is "muster.sheet/v2"; write schema: muster.sheet/v1`},
		{name: "no name", old: "name: LF9 display\n    family", new: "family", want: "a model has no name"},
		{name: "role", old: "family: larkfin-displays", new: "role: helm", want: `s.yaml:4:11: role "helm" is not known`},
		{name: "scheme", old: "decimal", new: "roman", want: `s.yaml:6:25: numbering scheme "roman" is not known`},
		{name: "pattern", old: "{scheme: decimal}", new: `{scheme: decimal, pattern: "(["}`, want: "s.yaml:6:25: numbering pattern", beyond: true},
		{name: "pattern group", old: "{scheme: decimal}", new: `{scheme: decimal, pattern: "[0-9]+"}`, want: "has 0 groups", beyond: true},
		{name: "list without order", old: "decimal", new: "list", want: "numbering list needs its order"},
		{name: "order without list", old: "{scheme: decimal}", new: "{scheme: decimal, order: [1, 2]}", want: "takes no order"},
		{name: "version form", old: "4.47}", new: "4.47b}", want: `s.yaml:8:19: version of "LF9 display": "4.47b" is not decimal`, beyond: true},
		{name: "same release", old: "4.47}", new: "4.500}", want: `s.yaml:9:19: "4.5" is the same release of "LF9 display" as "4.500" at s.yaml:8:19`, beyond: true},
		{name: "empty version", old: "version: 4.47", new: `version: ""`, want: "the version is empty", beyond: true},
		{name: "date", old: "4.47}", new: "4.47, date: 2026-02-30}", want: `date "2026-02-30" is not YYYY-MM-DD`, beyond: true},
		{name: "current unlisted", old: "current: 4.50", new: "current: 4.51", want: `s.yaml:10:14: current "4.51" of "LF9 display" is not among its releases`, beyond: true},
		{name: "current withdrawn", old: "version: 4.5}", new: "version: 4.5, withdrawn: loses routes}", want: "is withdrawn at s.yaml:9:19", beyond: true},
		{name: "no medium", old: "    medium: {kind: microSD card}\n", new: "", want: "s.yaml:3:11: the medium has no kind"},
		{name: "card size", old: "{kind: microSD card}", new: "{kind: microSD card, min_gb: 64, max_gb: 32}", want: "min_gb 64 is above max_gb 32", beyond: true},
		{name: "no minutes", old: "    minutes: 15\n", new: "", want: "s.yaml:3:11: minutes is missing"},
		{name: "minutes", old: "15", new: "soon", want: `s.yaml:12:14: "soon" is not a whole number from 1 to 1440`},
		{name: "supply", old: "minutes: 15", new: "minutes: 15\n    supply_volts: 120", want: "s.yaml:13:19: supply_volts"},
		{name: "reachable", old: "minutes: 15", new: "minutes: 15\n    reachable: [on-land]", want: `s.yaml:13:17: reachable "on-land" is not known`},
		{name: "step", old: "minutes: 15", new: "minutes: 15\n    before: [defaults]", want: `s.yaml:13:14: step "defaults" is not known`},
		{name: "need of nothing", old: "needs: []", new: "needs: [{at_least: 1}]", want: "a need names either a model or a family"},
		{name: "need of both", old: "needs: []", new: "needs: [{model: a, family: b, at_least: 1}]", want: "s.yaml:13:45: a need names either"},
		{name: "need without release", old: "needs: []", new: "needs: [{model: a}]", want: `the need for "a" has no at_least with a release`},
		{name: "matches all", old: `, model: "Larkfin LF9*"`, new: "", want: "would match anything"},
		{name: "manufacturer code", old: "2001", new: "9999", want: "not a whole number from 0 to 2047"},
		{name: "list for text", old: "name: LF9 display", new: "name: [LF9]", want: "s.yaml:3:11: expected a text or number"},
		{name: "empty", old: minimal, new: "", want: "s.yaml", beyond: true},
		{name: "no models", old: minimal, new: "schema: muster.sheet/v1\n", want: "describes no model"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			bad := strings.Replace(minimal, tt.old, tt.new, 1)
			if bad == minimal {
				t.Fatal("nothing was changed")
			}
			_, err := Load(t.Context(), SheetFile{"s.yaml", []byte(bad)})
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got  %v\nwant %s", err, tt.want)
			}
			if !tt.beyond && validateYAML(t, schema, []byte(bad)) == nil {
				t.Error("the schema accepts it")
			}
		})
	}
}

// Versions keep the characters that they are written with.
func TestVersionsStayText(t *testing.T) {
	sheet := strings.NewReplacer("decimal", "dotted", "4.47", "4.10", "4.5}", "4.1}", "current: 4.50", "current: 4.10").Replace(minimal)
	s, err := Load(t.Context(), SheetFile{"s.yaml", []byte(sheet)})
	if err != nil {
		t.Fatal(err)
	}
	m := s.Models[0]
	if m.Releases[0].Version != "4.1" || m.Releases[1].Version != "4.10" || m.Current != &m.Releases[1] {
		t.Errorf("%+v", m.Releases)
	}
}

func TestContradictions(t *testing.T) {
	for _, tt := range []struct {
		name, old, new string
		want           []string
		left           int // models still used
	}{
		{"same name", "LF9*", "LF10*", []string{`two entries are named "LF9 display", neither is used`}, 0},
		{"same match", "name: LF9 display", "name: LF9 plotter", []string{`"LF9 display" and "LF9 plotter" match the same devices`}, 0},
		{"numbering", "name: LF9 display\n    family: larkfin-displays\n    match: {manufacturer_code: 2001, model: \"Larkfin LF9*\"}\n    numbering: {scheme: decimal}\n    releases:\n      - {version: 4.47}\n      - {version: 4.5}\n    current: 4.50",
			"name: LF12\n    family: larkfin-displays\n    match: {model: LF12}\n    numbering: {scheme: dotted}\n    releases: [{version: 4.50}]", []string{"number their releases differently"}, 0},
		{"current", "name: LF9 display\n    family: larkfin-displays\n    match: {manufacturer_code: 2001, model: \"Larkfin LF9*\"}\n    numbering: {scheme: decimal}\n    releases:\n      - {version: 4.47}\n      - {version: 4.5}\n    current: 4.50",
			"name: LF12\n    family: larkfin-displays\n    match: {model: LF12}\n    numbering: {scheme: decimal}\n    releases:\n      - {version: 4.47}\n    current: 4.47", []string{`one's current release is "4.47" and the other's "4.50"`}, 2},
	} {
		t.Run(tt.name, func(t *testing.T) {
			other := strings.Replace(minimal, tt.old, tt.new, 1)
			if other == minimal {
				t.Fatal("nothing was changed")
			}
			s, err := Load(t.Context(), SheetFile{"a.yaml", []byte(minimal)}, SheetFile{"b.yaml", []byte(other)})
			if err != nil {
				t.Fatal(err)
			}
			if len(s.Models) != tt.left || len(s.Problems) != len(tt.want) {
				t.Fatalf("%d models left, problems %v", len(s.Models), s.Problems)
			}
			p := s.Problems[0]
			names := strings.Join(p.Places, " ")
			if p.Code != Contradiction || !strings.Contains(names, "a.yaml:") || !strings.Contains(names, "b.yaml:") || !strings.Contains(strings.ReplaceAll(p.Text, `"4.5"`, `"4.50"`), tt.want[0]) {
				t.Errorf("%v", p)
			}
		})
	}
}

func TestNeedsThatPointNowhere(t *testing.T) {
	for _, tt := range []struct{ need, want string }{
		{"{family: gannet-heads, at_least: 1}", `"LF9 display" needs "gannet-heads", which no sheet describes`},
		{"{family: larkfin-displays, at_least: new}", "which its numbering cannot read"},
	} {
		s, err := Load(t.Context(), SheetFile{"a.yaml", []byte(strings.Replace(minimal, "needs: []", "needs: ["+tt.need+"]", 1))})
		if err != nil {
			t.Fatal(err)
		}
		if len(s.Problems) != 1 || !strings.Contains(s.Problems[0].String(), tt.want) || !strings.Contains(s.Problems[0].String(), "a.yaml:13:") {
			t.Errorf("%v", s.Problems)
		}
	}
}

func TestLoadFSSaysWhat(t *testing.T) {
	if _, err := LoadFS(t.Context(), os.DirFS(t.TempDir()), "sheets"); err == nil || !strings.Contains(err.Error(), "holds no .yaml file") {
		t.Error(err)
	}
	if _, err := LoadFS(t.Context(), os.DirFS("testdata/none"), "sheets"); err == nil {
		t.Error("a folder that does not exist was read")
	}
}

func TestGlob(t *testing.T) {
	for _, tt := range []struct {
		pattern, s string
		want       bool
	}{
		{"Larkfin LF9*", "larkfin lf9 head", true}, {"*LF9*", "LF9", true}, {"LF?", "LF9", true}, {"LF?", "LF12", false},
		{"", "", true}, {"*", "", true}, {"a*b*c", "aXbYbZc", true}, {"a*b*c", "aXbYbZ", false}, {"é?", "ÉX", true}, {"LF9", "LF9 ", false},
	} {
		if got := glob(tt.pattern, tt.s); got != tt.want {
			t.Errorf("glob(%q, %q) = %v", tt.pattern, tt.s, got)
		}
	}
}

func FuzzLoad(f *testing.F) {
	f.Add([]byte(minimal))
	for _, name := range []string{"larkfin.yaml", "others.yaml"} {
		data, err := os.ReadFile(filepath.Join(sheetsDir, name))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte("a: &x [*x]\n"))
	f.Add([]byte("schema: muster.sheet/v1\nmodels: [{name: &a 4.50, family: *a}]\n"))
	f.Add([]byte("- \x00"))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := Load(t.Context(), SheetFile{"f.yaml", data})
		if err == nil && s == nil {
			t.Error("neither sheets nor an error")
		}
	})
}

// TestSheetSchema: the schema of a sheet has the keys that the reader takes, and no other.
func TestSheetSchema(t *testing.T) {
	inputtest.SameKeys(t, SheetSchema, reflect.TypeFor[sheetYAML](), input.Keys)
}
