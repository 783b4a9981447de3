package archtest

import (
	"encoding/json"
	"os"
	"path/filepath"
	"regexp"
	"testing"
)

// keyNames are words that a text quotes as keys, values or names.
var keyNames = regexp.MustCompile(`displays \(heads\)|drop-frames|for drop,|address-contested|vendor-completions|LP7 pilot|Pilot, Lazarette|maker \d+ class|state="gone"|nobody&#39;s|verdict="unheard"|\bnobody$`)

// TestLanguageOfSchemas: the descriptions in the JSON Schemas, the descriptions of the APIs and the dashboards keep to the glossary.
func TestLanguageOfSchemas(t *testing.T) {
	files, err := filepath.Glob("../../internal/*/*.schema.json")
	if err != nil || len(files) == 0 {
		t.Fatalf("%d schemas, %v", len(files), err)
	}
	for _, name := range append(files, "../../internal/api/openapi.json", "../../internal/fleet/pages/openapi.json",
		"../../deploy/grafana/muster.json", "../../deploy/grafana/fleet.json") {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		var schema any
		if err := json.Unmarshal(data, &schema); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		described(schema, func(text string) {
			for _, c := range complaints(keyNames.ReplaceAllString(text, "x")) {
				t.Errorf("%s: %s\n\t%s", name, c, text)
			}
		})
	}
}

// described calls say with every title, summary and description below a value.
func described(v any, say func(string)) {
	switch v := v.(type) {
	case map[string]any:
		for key, below := range v {
			if text, ok := below.(string); ok && (key == "description" || key == "summary" || key == "title") {
				say(text)
			}
			described(below, say)
		}
	case []any:
		for _, below := range v {
			described(below, say)
		}
	}
}
