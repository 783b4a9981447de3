package inputtest

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// Keys calls see with each key that a type takes: input.Keys.
type Keys func(of reflect.Type, see func(key string, of reflect.Type))

// SameKeys holds a JSON Schema that was written by hand to the type that the reader reads into: at each place the same keys.
func SameKeys(t *testing.T, schema []byte, of reflect.Type, take Keys) {
	t.Helper()
	var doc map[string]any
	if err := json.Unmarshal(schema, &doc); err != nil {
		t.Fatal(err)
	}
	sameKeys(t, doc, doc, of, take, "")
}

func sameKeys(t *testing.T, doc, at map[string]any, of reflect.Type, take Keys, path string) {
	t.Helper()
	for {
		if items, ok := at["items"].(map[string]any); ok {
			at = items
			continue
		}
		ref, ok := at["$ref"].(string)
		if !ok {
			break
		}
		at = doc
		for _, name := range strings.Split(strings.TrimPrefix(ref, "#/"), "/") {
			at, _ = at[name].(map[string]any)
		}
	}
	properties, _ := at["properties"].(map[string]any)
	var keys []string
	take(of, func(key string, of reflect.Type) {
		keys = append(keys, key)
		inner, ok := properties[key].(map[string]any)
		if !ok {
			t.Errorf("%s%s: the reader takes this key, and the schema does not", path, key)
			return
		}
		sameKeys(t, doc, inner, of, take, path+key+".")
	})
	for key := range properties {
		if len(keys) > 0 && !slices.Contains(keys, key) {
			t.Errorf("%s%s: the schema has this key, and the reader refuses it", path, key)
		}
	}
	if len(keys) > 0 && at["additionalProperties"] != false {
		t.Errorf("%s: the schema takes any key there", path)
	}
}
