package backbone

import (
	"reflect"
	"testing"

	"muster/internal/input"
	"muster/internal/input/inputtest"
)

// TestLayoutSchema: the schema of a layout has the keys that the reader takes, and no other.
func TestLayoutSchema(t *testing.T) {
	inputtest.SameKeys(t, Schema, reflect.TypeFor[Layout](), input.Keys)
}
