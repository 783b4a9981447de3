package api

import (
	"flag"
	"testing"

	"github.com/danielgtaylor/huma/v2"

	"muster/internal/ui/webtest"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// TestDescription holds the description that is served to the operations as they are, each with words and an example.
func TestDescription(t *testing.T) {
	text, err := Describe(apiAbout, func(api huma.API) {
		new(Server).operations(api)
		if err := Explain(api.OpenAPI(), Examples); err != nil {
			t.Fatal(err)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	webtest.Golden(t, "openapi.json", text, *update)
}
