package input

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"
)

type boat struct {
	Name   string            `yaml:"name" json:"name"`
	Length float64           `yaml:"length" json:"length"`
	Berths uint8             `yaml:"berths" json:"berths"`
	Afloat bool              `yaml:"afloat" json:"afloat"`
	Crew   []string          `yaml:"crew" json:"crew"`
	Watch  time.Duration     `yaml:"watch" json:"watch"`
	Tender *boat             `yaml:"tender" json:"tender"`
	Marks  map[uint16]string `yaml:"marks" json:"marks"`
	Draft  *draft            `yaml:"draft" json:"-"`
}

// draft reads itself, with a mistake of its own.
type draft string

func (d *draft) UnmarshalYAML(decode func(any) error) error {
	var t Text
	if err := decode(&t); err != nil {
		return t.Mistake("expected a draft: write 1.8 m")
	}
	*d = draft(t.Value)
	return nil
}

// said is a mistake as LINE:COLUMN: text, with its key.
func said(t *testing.T, err error) string {
	t.Helper()
	if err == nil {
		return ""
	}
	m, ok := errors.AsType[*Mistake](err)
	if !ok {
		t.Fatalf("not a mistake: %v", err)
	}
	key := ""
	if m.Key != "" {
		key = m.Key + ": "
	}
	return fmt.Sprintf("%d:%d: %s%s", m.Line, m.Column, key, m.Text)
}

func TestYAML(t *testing.T) {
	for in, want := range map[string]string{
		"":                             "",
		"# nothing":                    "",
		"name: [a]":                    "1:7: expected a text",
		"length: long":                 "1:9: expected a number. Example: length: 1.5",
		"berths: many":                 "1:9: expected a whole number. Example: berths: 15",
		"berths: 300":                  "1:9: 300 is out of range",
		"afloat: perhaps":              "1:9: expected true or false. Example: afloat: true",
		"crew: Ana":                    "1:7: expected a list",
		"crew: {a: b}":                 "1:7: expected a list",
		"watch: [4h]":                  "1:8: expected a time such as 30s, 5m or 2h",
		"watch: soon":                  `1:8: "soon" is not a time: write 10s, 5m or 2h`,
		"watch: 10":                    "1:8: expected a time such as 30s, 5m or 2h",
		"tender: Jolly":                "1:9: expected keys with values",
		"tender:\n  crew: 5":           "2:9: expected a list",
		"- a":                          "1:1: expected keys with values",
		"colour: red":                  `1:1: unknown key "colour"`,
		"Name: a":                      `1:1: unknown key "Name"`,
		"name: a\nname: b":             `2:1: key "name" is there twice: remove one`,
		"marks: {1: a, 01: b, 0x1: c}": `1:15: key "01" is there twice: remove one`,
		"tender:\n\tname: a":           "2:1: a tab is here: indent with spaces",
		"tender: {name: a":             "1:9: the { that begins here has no } at its end",
		"crew: [a, b":                  "1:7: the [ that begins here has no ] at its end",
		"name: \"a":                    `1:7: the text that begins here has no " at its end`,
		"name: 'a":                     "1:7: the text that begins here has no ' at its end",
		"name: a: b":                   "1:7: mapping value is not allowed in this context",
		"tender:\n  name: a\n":         "",
		"name:\nlength: 4\n":           "",
		"draft: [1]":                   "1:8: expected a draft: write 1.8 m",
		"draft: 1.80":                  "",
		"name: a\n---\nname: b":        "3:5: a second document starts here: keep one in the file",
		"name: a\n---\n":               "",
		"name: *a":                     `1:7: alias "*a" has no anchor before it`,
		"crew: &a [*a]":                `1:11: alias "*a" has no anchor before it`,
		"name: !":                      "",
	} {
		var b boat
		_, err := YAML(context.Background(), "", []byte(in), &b)
		if got := said(t, err); got != want {
			t.Errorf("%q: %s, want %s", in, got, want)
		}
	}
}

// TestEmptyKeys: a key without a value keeps what is there.
func TestEmptyKeys(t *testing.T) {
	b := boat{Name: "Wagtail", Crew: []string{"Ana"}}
	if _, err := YAML(context.Background(), "", []byte("name:\ncrew:\n#  - Ben\nlength: 9\n"), &b); err != nil || b.Name != "Wagtail" || len(b.Crew) != 1 || b.Length != 9 {
		t.Errorf("%+v, %v", b, err)
	}
}

// TestReferences: what an anchor holds can be used again.
func TestReferences(t *testing.T) {
	var b boat
	_, err := YAML(context.Background(), "", []byte("crew: &crew [Ana, Ben]\ntender: {name: Jolly, crew: *crew}\n"), &b)
	if err != nil || len(b.Tender.Crew) != 2 {
		t.Errorf("%+v, %v", b.Tender, err)
	}
}

func TestPlaces(t *testing.T) {
	d, err := YAML(context.Background(), "boat.yaml", []byte("name: a\ntender:\n  name: b\n  crew:\n    - c\n    - d\n  marks: {1: x}\n"), new(boat))
	if err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]string{
		"name": "1:7", "tender": "2:1", "tender.name": "3:9", "tender.crew": "4:3", "tender.crew.1": "6:7", "tender.crew[1]": "6:7",
		"tender.crew[7]": "4:3", "tender.crew.x": "4:3", "tender.colour": "2:1", "tender.marks.1": "7:14", "colour": "0:0", "": "0:0",
	} {
		if m := d.Mistake(key, "no"); fmt.Sprintf("%d:%d", m.Line, m.Column) != want {
			t.Errorf("%s: %d:%d, want %s", key, m.Line, m.Column, want)
		}
	}
	if got, want := d.Mistake("tender.crew.1", "who is %s", "d").Error(), "boat.yaml:6:7: tender.crew.1: who is d"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestDocuments(t *testing.T) {
	docs, err := Documents(context.Background(), "", []byte("name: a\n---\nname: b\n---\n# end\n"))
	if err != nil {
		t.Fatal(err)
	}
	names := ""
	for _, d := range docs {
		var b boat
		if err := d.Decode(&b); err != nil {
			t.Fatal(err)
		}
		names += b.Name + ","
	}
	if !strings.HasPrefix(names, "a,b,") {
		t.Errorf("%s", names)
	}
}

func TestMistakes(t *testing.T) {
	var errs []error
	for i := range 1000 {
		errs = append(errs, &Mistake{File: "f", Line: i + 1, Column: 1, Text: "no"})
	}
	got := Mistakes(errs...).Error()
	if lines := strings.Split(got, "\n"); len(lines) != 21 || lines[19] != "f:20:1: no" || lines[20] != "and 980 more mistakes" {
		t.Errorf("%s", got)
	}
	if Mistakes() != nil {
		t.Error("no mistakes are an error")
	}
	if got := Quote(strings.Repeat("ä", 1000)); len(got) > maxQuote+10 || !strings.HasSuffix(got, `ä"…`) {
		t.Errorf("%s", got)
	}
}

func TestCancelled(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	for name, read := range map[string]func() error{
		"YAML": func() error { _, err := YAML(ctx, "", []byte("name: a"), new(boat)); return err },
		"JSON": func() error {
			return JSON(ctx, "", []byte(`{"crew":[`+strings.Repeat(`"a",`, 2000)+`"a"]}`), new(boat))
		},
		"Read": func() error { _, err := Read(ctx, "", strings.NewReader("a"), 10); return err },
	} {
		if err := read(); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestRead(t *testing.T) {
	data, err := Read(context.Background(), "f", strings.NewReader("12345"), 5)
	if err != nil || string(data) != "12345" {
		t.Errorf("%q, %v", data, err)
	}
	if _, err := Read(context.Background(), "f", strings.NewReader("123456"), 5); err == nil || err.Error() != "f: it has more than 5 bytes, which is the limit for such a file" {
		t.Error(err)
	}
}
