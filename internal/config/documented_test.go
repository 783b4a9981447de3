package config

import (
	"maps"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/google/go-cmp/cmp"
)

// keysOf adds the dotted keys that a type takes in the file; those that every check takes are listed once, as
// checks.*.
func keysOf(t reflect.Type, prefix string, keys map[string]bool) {
	for t.Kind() == reflect.Slice || t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct {
		return
	}
	for i := range t.NumField() {
		f := t.Field(i)
		name, inline, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		switch {
		case name == "-":
		case inline == "inline" && f.Name == "Common":
			keysOf(f.Type, "checks.*.", keys)
		case inline == "inline":
			keysOf(f.Type, prefix, keys)
		case f.Type.Name() == "Common":
			keys[prefix+name] = true
			keysOf(f.Type, "checks.*.", keys)
		case name != "":
			keys[prefix+name] = true
			keysOf(f.Type, prefix+name+".", keys)
		}
	}
}

func keysIn(v any, prefix string, keys map[string]bool) {
	switch v := v.(type) {
	case map[string]any:
		for k, inner := range v {
			keys[prefix+k] = true
			keysIn(inner, prefix+k+".", keys)
		}
	case []any:
		for _, inner := range v {
			keysIn(inner, prefix, keys)
		}
	}
}

// TestEveryKeyIsDocumented: the example holds every key of the config, as a setting or in a comment that can be taken
// as it is, and no other; the man page describes each section.
func TestEveryKeyIsDocumented(t *testing.T) {
	want := map[string]bool{}
	keysOf(reflect.TypeFor[Config](), "", want)
	for _, k := range []string{"off", "severity", "hold"} { // described in words, because they are the same for all
		delete(want, "checks.*."+k)
	}
	text, err := os.ReadFile("../../deploy/muster.yaml")
	if err != nil {
		t.Fatal(err)
	}
	shown := regexp.MustCompile(`(?m)^( *)# ( *(- )?[a-z_]+:)`).ReplaceAllString(string(text), "$1$2")
	if _, err := Parse(t.Context(), "deploy/muster.yaml with its examples", []byte(shown)); err != nil {
		t.Error(err)
	}
	var doc any
	if err := yaml.Unmarshal([]byte(shown), &doc); err != nil {
		t.Fatal(err)
	}
	got := map[string]bool{}
	keysIn(doc, "", got)
	if d := cmp.Diff(slices.Sorted(maps.Keys(want)), slices.Sorted(maps.Keys(got))); d != "" {
		t.Errorf("keys of the config (-) and of deploy/muster.yaml (+):\n%s", d)
	}

	man, err := os.ReadFile("../../deploy/package/muster.yaml.5")
	if err != nil {
		t.Fatal(err)
	}
	for key := range want {
		if !strings.Contains(key, ".") && !strings.Contains(string(man), "\n.TP\n.B "+key+"\n") {
			t.Errorf("the man page does not tell of the key %s", key)
		}
	}
}
