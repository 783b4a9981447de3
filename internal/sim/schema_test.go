package sim

import (
	"encoding/json"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"muster/internal/hosttest"
)

// TestScenariosMatchSchema: the built-in scenarios and those of the tests match the schema.
func TestScenariosMatchSchema(t *testing.T) {
	c := jsonschema.NewCompiler()
	schema, err := c.Compile("scenario.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	texts := map[string][]byte{}
	for _, name := range Names() {
		if texts[name], err = builtin.ReadFile("scenarios/" + name + ".yaml"); err != nil {
			t.Fatal(err)
		}
	}
	files, err := filepath.Glob(hosttest.Testdata(t, "units/*.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		if strings.HasSuffix(file, ".truth.yaml") {
			continue
		}
		if texts[file], err = os.ReadFile(file); err != nil {
			t.Fatal(err)
		}
	}
	for name, src := range texts {
		raw, err := yaml.YAMLToJSON(src)
		if err != nil {
			t.Fatal(err)
		}
		value, err := jsonschema.UnmarshalJSON(strings.NewReader(string(raw)))
		if err != nil {
			t.Fatal(err)
		}
		if err := schema.Validate(value); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestSchemaNamesEverything holds the schema to the types and tables of the package.
func TestSchemaNamesEverything(t *testing.T) {
	raw, err := os.ReadFile("scenario.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	type object struct {
		Properties map[string]struct {
			Enum  []string
			Items struct {
				Properties map[string]struct{ Enum []string }
			}
		}
	}
	var schema struct {
		object
		Defs map[string]object `json:"$defs"`
	}
	if err := json.Unmarshal(raw, &schema); err != nil {
		t.Fatal(err)
	}
	keys := func(v any) (list []string) {
		typ := reflect.TypeOf(v)
		for i := range typ.NumField() {
			list = append(list, typ.Field(i).Tag.Get("yaml"))
		}
		slices.Sort(list)
		return list
	}
	for _, c := range []struct {
		name string
		of   any
		got  object
	}{
		{"scenario", Scenario{}, schema.object}, {"device", Device{}, schema.Defs["device"]}, {"send", Send{}, schema.Defs["send"]},
		{"line", Line{}, schema.Defs["line"]}, {"action", Action{}, schema.Defs["action"]},
	} {
		if diff := cmp.Diff(keys(c.of), slices.Sorted(maps.Keys(c.got.Properties))); diff != "" {
			t.Errorf("%s (-type +schema):\n%s", c.name, diff)
		}
	}
	action := schema.Defs["action"].Properties
	if diff := cmp.Diff(slices.Sorted(maps.Keys(verbs)), action["do"].Enum); diff != "" {
		t.Errorf("actions (-table +schema):\n%s", diff)
	}
	if diff := cmp.Diff(slices.Sorted(maps.Keys(skews)), action["quantity"].Enum); diff != "" {
		t.Errorf("quantities (-table +schema):\n%s", diff)
	}
	if diff := cmp.Diff(formatters(), schema.Defs["line"].Properties["sentences"].Items.Properties["formatter"].Enum); diff != "" {
		t.Errorf("formatters (-table +schema):\n%s", diff)
	}
}
