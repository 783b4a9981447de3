package input

import (
	"encoding"
	"encoding/json"
	"reflect"
	"strings"
	"time"
)

// Schema is the JSON Schema of a YAML file that is read into a value of v's type: the very keys that the reader takes, and no other. It is
// made from the type, so that the two cannot differ.
func Schema(v any, title, description string) []byte {
	s := schemaOf(reflect.TypeOf(v))
	s["$schema"], s["title"], s["description"] = "https://json-schema.org/draft/2020-12/schema", title, description
	text, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		panic(err) // a map of texts
	}
	return append(text, '\n')
}

// Keys calls see with each key that a type takes, and the type of what it holds. A type that reads itself has none.
func Keys(t reflect.Type, see func(key string, of reflect.Type)) {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct || readsItself(t) {
		return
	}
	for i := range t.NumField() {
		f := t.Field(i)
		key, option, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		switch {
		case key == "-" || !f.IsExported():
		case option == "inline":
			Keys(f.Type, see)
		case key == "":
			see(strings.ToLower(f.Name), f.Type)
		default:
			see(key, f.Type)
		}
	}
}

// readsItself reports whether a type is written as it decides itself.
func readsItself(t reflect.Type) bool {
	p := reflect.PointerTo(t)
	_, own := p.MethodByName("UnmarshalYAML")
	return own || p.Implements(reflect.TypeFor[encoding.TextUnmarshaler]())
}

func schemaOf(t reflect.Type) map[string]any {
	switch {
	case t == reflect.TypeFor[time.Duration]():
		return map[string]any{"type": "string", "pattern": `^([0-9.]+(h|m|s|ms|us|ns))+$`, "description": "a time, such as 30s or 5m"}
	case readsItself(t) && t.Kind() == reflect.Slice:
		return map[string]any{"type": []string{"string", "array"}, "items": map[string]any{"type": "string"}}
	case readsItself(t):
		return map[string]any{"type": "string"}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return schemaOf(t.Elem())
	case reflect.Slice:
		return map[string]any{"type": []string{"array", "null"}, "items": schemaOf(t.Elem())}
	case reflect.Struct:
		keys := map[string]any{}
		Keys(t, func(key string, of reflect.Type) { keys[key] = schemaOf(of) })
		return map[string]any{"type": []string{"object", "null"}, "additionalProperties": false, "properties": keys}
	case reflect.Bool:
		return map[string]any{"type": "boolean"}
	case reflect.Float32, reflect.Float64:
		return map[string]any{"type": "number"}
	case reflect.String:
		return map[string]any{"type": "string"}
	}
	return map[string]any{"type": "integer"}
}
