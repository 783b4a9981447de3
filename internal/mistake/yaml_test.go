package mistake

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
)

type boat struct {
	Name   string        `yaml:"name"`
	Length float64       `yaml:"length"`
	Berths uint8         `yaml:"berths"`
	Afloat bool          `yaml:"afloat"`
	Crew   []string      `yaml:"crew"`
	Watch  time.Duration `yaml:"watch"`
	Tender *boat         `yaml:"tender"`
}

func TestYAML(t *testing.T) {
	for in, want := range map[string]string{
		"name: [a]":            "1:7: a text must stand here",
		"length: long":         "1:9: a number must stand here",
		"berths: many":         "1:9: a whole number must stand here",
		"berths: 300":          "1:9: 300 is out of range",
		"afloat: perhaps":      "1:9: true or false must stand here",
		"crew: Ana":            "1:7: a list must stand here",
		"crew: {a: b}":         "1:7: a list must stand here",
		"watch: [4h]":          "1:8: a time such as 30s, 5m or 2h must stand here",
		"watch: soon":          `0:0: time: invalid duration "soon"`,
		"tender: Jolly":        "1:9: keys with values must stand here",
		"tender:\n  crew: 5":   "2:9: a list must stand here",
		"- a":                  "1:1: keys with values must stand here",
		"colour: red":          `1:1: unknown key "colour"`,
		"name: a\nname: b":     `2:1: key "name" stands here a second time`,
		"tender:\n\tname: a":   "2:1: a tab stands here: indent with spaces",
		"tender: {name: a":     "1:9: the { that begins here has no } at its end",
		"crew: [a, b":          "1:7: the [ that begins here has no ] at its end",
		"name: \"a":            `1:7: the text that begins here has no " at its end`,
		"name: 'a":             "1:7: the text that begins here has no ' at its end",
		"name: a: b":           "1:7: mapping value is not allowed in this context",
		"tender:\n  name: a\n": "",
	} {
		var b boat
		got := ""
		if err := yaml.UnmarshalWithOptions([]byte(in), &b, yaml.Strict()); err != nil {
			line, column, words := YAML(fmt.Errorf("read it: %w", err))
			if line == 0 {
				_, _, words = YAML(err)
			}
			got = fmt.Sprintf("%d:%d: %s", line, column, words)
		}
		if got != want {
			t.Errorf("%q: %s, want %s", in, got, want)
		}
	}
	if line, column, words := YAML(errors.New("one\ntwo")); line != 0 || column != 0 || words != "one two" {
		t.Errorf("%d:%d: %q", line, column, words)
	}
}
