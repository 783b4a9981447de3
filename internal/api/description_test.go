package api

import (
	"flag"
	"testing"

	"muster/internal/ui/webtest"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// TestDescription holds the description that is served to the operations as they are.
func TestDescription(t *testing.T) {
	text, err := Describe(apiAbout, new(Server).operations)
	if err != nil {
		t.Fatal(err)
	}
	webtest.Golden(t, "openapi.json", text, *update)
}
