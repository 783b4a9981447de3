package input_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"reflect"
	"testing"

	"muster/internal/input"
)

// FuzzYAML: whatever the text is, reading it gives a value or a mistake within the text.
func FuzzYAML(f *testing.F) {
	for _, text := range []string{
		"", "text: a\nlist:\n  - text: b\n    map: {c: d}\n", "list: [{text: a}, {list: []}]", "a: &x [1, 2.5, true, ~]\nlist: *x\n",
		"text: |\n  a\n\n  b\n", "text: >-\n  a\n  b\n", "? text\n: a\n", "a:\n- b\n- - c\n  - d: e\n", "a: !!str 5", "a: {<<: *b}", "%YAML 1.2\n---\na: b\n...\n",
		"text: \"a\\u00e4\\n\" # b\r\n", "---\n---\n", "a: 'it''s'", "a:\n\t- b", "a: [", "a: }", "&a a: *a", "a: &a {b: *a}", "!", "! {}: [", "- ? - :", "map: {1: a, 01: b}",
	} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		for _, v := range []any{new(node), new(any)} {
			_, err := input.YAML(context.Background(), "f", text, v)
			placed(t, text, err)
		}
	})
}

// FuzzJSON: what is accepted is what encoding/json accepts, with the same value; what is refused has a mistake within the text.
func FuzzJSON(f *testing.F) {
	for _, text := range []string{
		"", `{"text":"a","list":[{"map":{"b":"c"}}],"a":[1,-2.5e3,true,null,{"d":{}}]}`, `{"Text":1}`, `{"a":1,"a":2}`, `[[[[]]]]`, `{"a":"\ud800"}`, `{"\u0061":1}`,
		`{"a":01}`, `nul`, `{"a" :}`, `{"a":1}x`, "\"\x00\"", "{\"\xff\":1}", `{"map":{"a":null}}`, `{"fill":[1,2]}`, `"\`,
	} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		for _, make := range []func() any{func() any { return new(node) }, func() any { return new(any) }} {
			got, want := make(), make()
			if err := input.JSON(context.Background(), "f", text, got); err != nil {
				placed(t, text, err)
				continue
			}
			d := json.NewDecoder(bytes.NewReader(text))
			d.DisallowUnknownFields()
			if err := d.Decode(want); err != nil || !reflect.DeepEqual(got, want) {
				t.Errorf("%q: %v, want %v, %v", text, got, want, err)
			}
		}
	})
}

// placed checks that an error is a mistake, and the place that it gives.
func placed(t *testing.T, text []byte, err error) {
	if err == nil {
		return
	}
	m, ok := errors.AsType[*input.Mistake](err)
	if !ok {
		t.Fatalf("%q: %T %v", text, err, err)
	}
	if lines := 2 + bytes.Count(text, []byte("\n")) + bytes.Count(text, []byte("\r")); m.Line < 0 || m.Line > lines || len(m.Text) > 400 || m.Text == "" {
		t.Errorf("%q: %d:%d: %s", text, m.Line, m.Column, m.Text)
	}
}
