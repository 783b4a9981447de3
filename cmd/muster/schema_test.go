package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"muster/internal/hosttest"
)

// TestSchema: what the program prints is a schema, and the files that are shipped, and that the program writes, fit it.
func TestSchema(t *testing.T) {
	dir := t.TempDir()
	report, before, order := filepath.Join(dir, "report.json"), filepath.Join(dir, "before.json"), filepath.Join(dir, "order.json")
	if err := os.WriteFile(report, []byte(muster(t, "audit", "sim:demo", "--for", "40s", "--ask", "--format", "json")), 0o600); err != nil {
		t.Fatal(err)
	}
	muster(t, "snapshot", "sim:demo", "--for", "40s", "--ask", "-o", before)
	muster(t, "plan", before, "--sheets", "../../deploy/sheets", "--now", "sim:demo", "--for", "1m", "-o", order)
	broken, place := filepath.Join(dir, "broken.log"), filepath.Join(dir, "place.json")
	muster(t, "simulate", "demo", "--to", broken, "--for", "40s", "--fault", "open at tee 3 from 20s")
	located := muster(t, "locate", "../../internal/sim/layouts/demo.yaml", broken, "--reading", "tee 3: 0 V", "--format", "json")
	if err := os.WriteFile(place, []byte(located), 0o600); err != nil {
		t.Fatal(err)
	}
	folder := filepath.Join(t.TempDir(), "visit")
	demo := []string{"sim:demo", "--ask", "--for", "55s", "--by", "Ana"}
	muster(t, append([]string{"job", "open", folder, "--sheets", "../../deploy/sheets"}, demo...)...)
	muster(t, "job", "settle", folder, "2.2", "--reason", "read twice", "--by", "Ana")
	muster(t, "job", "hours", folder, "1.5", "--by", "Ana")
	muster(t, "job", "part", folder, "T-connector", "--by", "Ana")
	muster(t, append([]string{"job", "close", folder, "--unsigned", "--signed-off-by", "A. Customer"}, append(demo, "--for", "2m")...)...)
	for i, line := range strings.Split(strings.TrimSpace(readAll(t, filepath.Join(folder, "ledger.jsonl"))), "\n") {
		if err := os.WriteFile(filepath.Join(folder, fmt.Sprintf("line%d.json", i)), []byte(line), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	notes := filepath.Join(dir, "notes.yaml")
	muster(t, "note", "add", "-f", notes, "--model", "Larkfin Pemmo 4", "--software", "1.3", "--by", "Ana")
	key, keys := filepath.Join(dir, "shop.key"), filepath.Join(dir, "keys.yaml")
	muster(t, "key", "new", "-o", key)
	muster(t, "key", "trust", key+".pub", "--name", "Example Marine Electronics", "--until", "2026-12-31", "--keys", keys)
	files := map[string]string{"config": "../../deploy/muster.yaml", "notes": notes, "keys": keys, "job": "../../deploy/examples/job.yaml", "profile": "../../deploy/examples/job.yaml",
		"ledger": filepath.Join(folder, "line*.json"), "record": filepath.Join(folder, "record.json"), "alert-change": hosttest.Testdata(t, "evidence/alert-change.json"), "layout": "../../deploy/examples/layout.yaml", "locate": place, "order": order, "report": report,
		"report-v1": "../../testdata/boats/trouble.json",
		"scenario":  "../../internal/sim/scenarios/*.yaml", "sheet": "../../deploy/sheets/*.yaml"}
	list := muster(t, "schema")
	for _, s := range schemas {
		if !strings.Contains(list, s.name+" ") {
			t.Errorf("%s is not listed", s.name)
		}
		doc, err := jsonschema.UnmarshalJSON(strings.NewReader(muster(t, "schema", s.name)))
		if err != nil {
			t.Fatalf("%s: %v", s.name, err)
		}
		c := jsonschema.NewCompiler()
		if err := c.AddResource("schema.json", doc); err != nil {
			t.Fatalf("%s: %v", s.name, err)
		}
		schema, err := c.Compile("schema.json")
		if err != nil {
			t.Fatalf("%s: %v", s.name, err)
		}
		names, err := filepath.Glob(files[s.name])
		if err != nil || len(names) == 0 {
			t.Errorf("%s: no file to hold to it: %v", s.name, err)
		}
		for _, name := range names {
			text := []byte(readAll(t, name))
			if filepath.Ext(name) == ".yaml" {
				var err error
				if text, err = yaml.YAMLToJSON(text); err != nil {
					t.Fatalf("%s: %v", name, err)
				}
			}
			value, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if err := schema.Validate(value); err != nil {
				t.Errorf("%s against %s: %v", name, s.name, err)
			}
			if bad := map[string]any{"frob": 1}; schema.Validate(bad) == nil {
				t.Errorf("%s takes anything", s.name)
			}
		}
	}
	status, errs := tell(t, "schema", "frob")
	if status != exitUsage || !strings.Contains(errs, `there is no schema "frob"`) || !strings.Contains(errs, "alert-change, config, job, keys, layout, ledger, locate, notes, order, profile, record, report, report-v1, scenario, sheet") {
		t.Errorf("exit status %d: %s", status, errs)
	}
}
