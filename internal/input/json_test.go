package input

import (
	"context"
	"encoding/json"
	"maps"
	"reflect"
	"strings"
	"testing"
	"time"
)

func TestJSON(t *testing.T) {
	for in, want := range map[string]string{
		`{"name":"a","length":9.5,"berths":4,"afloat":true,"crew":["b"],"tender":{"name":"c"},"marks":{"1":"d"}}`: "",
		` {"name": "a\"b\\" } ` + "\n":   "",
		`{"tender":null}`:                "",
		"":                               "1:1: it ends too early: expected a value",
		`{"name":"a"`:                    "1:12: it ends too early: expected ,",
		`{"name":"a`:                     `1:9: the text that begins here has no " at its end`,
		"{\n \"colour\":1}":              `2:2: unknown key "colour"`,
		`{"Name":"a"}`:                   `1:2: unknown key "Name": write "name"`,
		`{"name":"a","name":"b"}`:        `1:13: key "name" is there twice: remove one`,
		`{"name":"a","n\u0061me":"b"}`:   `1:13: key "name" is there twice: remove one`,
		`{"marks":{"1":"a","1":"b"}}`:    `1:19: key "1" is there twice: remove one`,
		`{"name":5}`:                     "1:9: expected a text",
		`{"length":"9"}`:                 "1:11: expected a number",
		`{"berths":300}`:                 "1:14: berths: expected a whole number",
		`{"crew":{}}`:                    "1:9: expected a list",
		`{"tender":[]}`:                  "1:11: expected keys with values",
		`[]`:                             "1:1: expected keys with values",
		`{"afloat":1}`:                   "1:11: expected true or false",
		`{} {}`:                          "1:4: something follows after the end of the value: remove it",
		`{"name":nul}`:                   "1:9: 'n' is not correct JSON here: expected a value",
		`{"length":1.}`:                  "1:13: invalid character '}' after decimal point in numeric literal",
		`{"name":"\q"}`:                  "1:11: invalid character 'q' in string escape code",
		`{"name" "a"}`:                   "1:9: '\"' is not correct JSON here: expected :",
		`{"crew":["a" "b"]}`:             "1:14: '\"' is not correct JSON here: expected ,",
		`{"crew":["a",]}`:                "1:14: expected a text",
		`{name:1}`:                       "1:2: 'n' is not correct JSON here: expected \"",
		"{\"name\":\"a\nb\"}":            `1:11: a control character in a text: write it as \u000a`,
		strings.Repeat(`{"tender":`, 65): "1:641: nested deeper than 64 levels",
	} {
		if got := said(t, JSON(context.Background(), "", []byte(in), new(boat))); got != want {
			t.Errorf("%s: %s, want %s", in, got, want)
		}
	}
}

func TestOpenJSON(t *testing.T) {
	var b boat
	if err := OpenJSON(context.Background(), "", []byte(`{"colour":{"a":[1]},"name":"a"}`), &b); err != nil || b.Name != "a" {
		t.Errorf("%+v, %v", b, err)
	}
	if got, want := said(t, OpenJSON(context.Background(), "", []byte(`{"NAME":"a"}`), &b)), `1:2: unknown key "NAME": write "name"`; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	var any any
	if got, want := said(t, OpenJSON(context.Background(), "", []byte(`[{"a":1,"a":2}]`), &any)), `1:9: key "a" is there twice: remove one`; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

type inner struct {
	Shared string `json:"shared"`
	Deep   int    `json:"deep"`
}

type Outer struct{ Shown int }

type mixed struct {
	inner
	*Outer
	Shared time.Time       `json:"shared"`
	Number int             `json:"number,string"`
	Plain  bool            `json:",omitempty"`
	Raw    json.RawMessage `json:"raw"`
	Hidden string          `json:"-"`
	//lint:ignore SA5008 the name of this field is a hyphen
	Dash string `json:"-,"`
	own  int
}

// TestFields: the keys of a struct are those that encoding/json writes.
func TestFields(t *testing.T) {
	text, err := json.Marshal(mixed{inner: inner{Deep: 1}, Outer: &Outer{1}, Plain: true, Raw: json.RawMessage(`{"x":1}`), own: 1})
	if err != nil {
		t.Fatal(err)
	}
	var written map[string]any
	if err := json.Unmarshal(text, &written); err != nil {
		t.Fatal(err)
	}
	fields := maps.Clone(fieldsOf(reflect.TypeFor[mixed]()))
	for key := range written {
		if _, ok := fields[key]; !ok {
			t.Errorf("%s is missing", key)
		}
		delete(fields, key)
	}
	if len(fields) > 0 {
		t.Errorf("%v is not written", fields)
	}
	if err := JSON(context.Background(), "", text, new(mixed)); err != nil {
		t.Error(err)
	}
}

// TestTree: numbers are as they are written.
func TestTree(t *testing.T) {
	got, err := Tree(context.Background(), "", []byte(`{"a":[1.0,1]}`))
	if want := (map[string]any{"a": []any{json.Number("1.0"), json.Number("1")}}); err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%v, %v", got, err)
	}
	if _, err := Tree(context.Background(), "", []byte(`{"a":1,"a":1}`)); err == nil {
		t.Error("a key that stands twice is taken")
	}
}

// TestRaw: what is kept as it is written counts no values, and its keys are for its own reader.
func TestRaw(t *testing.T) {
	var v struct {
		Body json.RawMessage `json:"body"`
		Rest any             `json:"rest"`
	}
	for in, want := range map[string]string{
		`{"body":[` + strings.Repeat("{},", 200_000) + `{}]}`:                "",
		`{"body":{"a":1,"a":2}}`:                                             "",
		`{"body":{},"rest":{"a":1,"a":2}}`:                                   `1:26: key "a" is there twice: remove one`,
		`{"body":` + strings.Repeat("[", 70) + strings.Repeat("]", 70) + `}`: "1:72: nested deeper than 64 levels",
	} {
		if got := said(t, JSON(context.Background(), "", []byte(in), &v)); got != want {
			t.Errorf("%.60s: %s, want %s", in, got, want)
		}
	}
}
