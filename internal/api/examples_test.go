package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"muster/internal/api"
	"muster/internal/daemon"
	"muster/internal/daemon/daemontest"
	"muster/internal/ui/webtest"
)

// served is what a test reads of the description that a server gives.
type served struct {
	Paths map[string]map[string]struct {
		OperationID string
		Parameters  []struct {
			Name, In string
			Example  any
		}
		RequestBody *struct {
			Content map[string]struct{ Example json.RawMessage }
		}
		Responses map[string]json.RawMessage
	}
}

// request is the example of an operation as the description has it; the ids of snapshots are replaced by those that there are.
func (d *served) request(t *testing.T, base, id string, ids *strings.Replacer) *http.Request {
	t.Helper()
	for path, methods := range d.Paths {
		for method, o := range methods {
			if o.OperationID != id {
				continue
			}
			query, kind := url.Values{}, ""
			for _, p := range o.Parameters {
				value := ids.Replace(strings.Trim(fmt.Sprint(p.Example), "[]"))
				switch {
				case p.Example == nil:
				case p.In == "path":
					path = strings.ReplaceAll(path, "{"+p.Name+"}", url.PathEscape(value))
				case p.In == "query":
					query.Set(p.Name, value)
				}
			}
			var body bytes.Buffer
			if o.RequestBody != nil {
				for of, content := range o.RequestBody.Content {
					if kind = of; kind == "image/jpeg" {
						webtest.Must(t, jpeg.Encode(&body, image.NewGray(image.Rect(0, 0, 8, 8)), nil))
					} else {
						body.WriteString(ids.Replace(string(content.Example)))
					}
				}
			}
			ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
			t.Cleanup(cancel)
			r, err := http.NewRequestWithContext(ctx, strings.ToUpper(method), base+path+"?"+query.Encode(), &body)
			webtest.Must(t, err)
			if kind != "" {
				r.Header.Set("Content-Type", kind)
			}
			return r
		}
	}
	t.Fatalf("the description has no operation %s", id)
	return nil
}

// TestExamples sends the example of each operation to a boat, which answers each as described.
func TestExamples(t *testing.T) {
	d := daemontest.Demo(t, "demo", 20, func(opt *daemon.Options) { opt.Config.StateDir = t.TempDir() })
	daemontest.Until(t, "the displays differ", func() bool { return daemontest.OpenAlert(d, "software-differs") })
	var doc served
	webtest.Must(t, json.Unmarshal(webtest.Fetch(t, d.URL()+"/api/v1/openapi.json"), &doc))
	kept := func() (id string) {
		answer, err := http.Post(d.URL()+"/api/v1/snapshots", "", nil)
		webtest.Must(t, err)
		defer answer.Body.Close()
		var k api.Kept
		webtest.Must(t, json.NewDecoder(answer.Body).Decode(&k))
		return k.ID
	}
	before, after := kept(), ""
	daemontest.Until(t, "a later snapshot differs", func() bool { after = kept(); return after != before })
	ids := strings.NewReplacer(api.ExampleBefore, before, api.ExampleAfter, after)
	for _, e := range api.Examples {
		answer, err := http.DefaultClient.Do(doc.request(t, d.URL(), e.Operation, ids))
		if err != nil {
			t.Errorf("%s: %v", e.Operation, err)
			continue
		}
		text := make([]byte, 400) // a stream does not end
		n, _ := answer.Body.Read(text)
		_ = answer.Body.Close()
		if answer.StatusCode >= 300 {
			t.Errorf("%s: %s: %s", e.Operation, answer.Status, text[:n])
		}
	}
}

// TestReference holds the reference to the description, and the types of problems to the reference.
func TestReference(t *testing.T) {
	d := daemontest.Demo(t, "demo", 1, nil)
	page := string(webtest.Fetch(t, d.URL()+"/api/"))
	var doc served
	webtest.Must(t, json.Unmarshal(webtest.Fetch(t, d.URL()+"/api/v1/openapi.json"), &doc))
	for path, methods := range doc.Paths {
		for method, o := range methods {
			for _, want := range []string{`id="` + o.OperationID + `"`, `data-method="` + strings.ToUpper(method) + `" data-path="` + path + `"`} {
				if !strings.Contains(page, want) {
					t.Errorf("the reference has no %s", want)
				}
			}
		}
	}
	var ids []string
	for _, m := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		ids = append(ids, m[1])
	}
	for _, m := range regexp.MustCompile(`href="#([^"]*)"`).FindAllStringSubmatch(page, -1) {
		if !slices.Contains(ids, m[1]) {
			t.Errorf("#%s leads nowhere", m[1])
		}
	}
	for _, path := range []string{"/api/v1/none", "/api/v1/devices/none", "/api/v1/alerts?severity=mild", "/api/v1/schemas/None.json"} {
		answer, err := http.Get(d.URL() + path)
		webtest.Must(t, err)
		text, err := io.ReadAll(answer.Body)
		webtest.Must(t, err)
		_ = answer.Body.Close()
		var p struct{ Type string }
		webtest.Must(t, json.Unmarshal(text, &p))
		place, ok := strings.CutPrefix(p.Type, "/api/#")
		if !ok || place != fmt.Sprint("problem-", answer.StatusCode) || !slices.Contains(ids, place) {
			t.Errorf("%s: %s has the type %q, which the reference does not explain", path, answer.Status, p.Type)
		}
	}
}
