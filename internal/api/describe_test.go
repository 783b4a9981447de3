package api_test

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"muster/internal/daemon/daemontest"
	"muster/internal/ui/webtest"
)

// TestOpenAPI holds the API's description to a packaged validator.
func TestOpenAPI(t *testing.T) {
	redocly, err := exec.LookPath("redocly")
	webtest.Need(t, "redocly (npm install -g @redocly/cli)", err)
	d := daemontest.Demo(t, "demo", 1, nil)
	file := filepath.Join(t.TempDir(), "openapi.json")
	if err := os.WriteFile(file, webtest.Fetch(t, d.URL()+"/api/v1/openapi.json"), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(redocly, "lint", "--extends=spec", "--format=stylish", file)
	cmd.Env = append(os.Environ(), "REDOCLY_TELEMETRY=off", "REDOCLY_SUPPRESS_UPDATE_NOTICE=true")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// loader reads schemas from the server that serves them.
type loader struct{ t *testing.T }

func (l loader) Load(url string) (any, error) {
	return jsonschema.UnmarshalJSON(strings.NewReader(string(webtest.Fetch(l.t, url))))
}

// TestSchemas compiles every served schema with a packaged implementation and holds the API's answers to them.
func TestSchemas(t *testing.T) {
	d := daemontest.Demo(t, "demo", 20, nil)
	daemontest.Until(t, "the displays differ", func() bool { return daemontest.OpenAlert(d, "software-differs") })
	daemontest.OpenJob(t, d)
	var names map[string]string
	if err := json.Unmarshal(webtest.Fetch(t, d.URL()+"/api/v1/schemas"), &names); err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.UseLoader(jsonschema.SchemeURLLoader{"http": loader{t}})
	c.AssertFormat()
	compiled := map[string]*jsonschema.Schema{}
	for name, path := range names {
		schema, err := c.Compile(d.URL() + path)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		compiled[name] = schema
	}
	if len(compiled) < 20 {
		t.Fatalf("only %d schemas are served", len(compiled))
	}
	for path, name := range map[string]string{"report": "BoatReport", "devices": "BoatDevice", "alerts": "BoatAlert", "networks": "NetworkState",
		"messages": "Message", "sentences": "TrafficSentence", "work-orders": "Work", "job": "Job", "jobs": "PastJob", "conditions": "Conditions"} {
		var answer any
		if err := json.Unmarshal(webtest.Fetch(t, d.URL()+"/api/v1/"+path), &answer); err != nil {
			t.Fatal(err)
		}
		list, ok := answer.([]any)
		if !ok {
			list = []any{answer}
		}
		if compiled[name] == nil || len(list) == 0 {
			t.Errorf("%s: schema %s: %v, %d answers", path, name, compiled[name] != nil, len(list))
			continue
		}
		for i, v := range list {
			if err := compiled[name].Validate(v); err != nil {
				t.Error(fmt.Errorf("%s %d: %w", path, i, err))
				break
			}
		}
	}
}
