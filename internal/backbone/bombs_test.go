package backbone

import (
	"testing"

	"muster/internal/input/inputtest"
)

func TestBombs(t *testing.T) {
	inputtest.YAML(t, func(text []byte) error { _, err := Parse(t.Context(), "layout.yaml", text); return err }, "segments", "tees")
}
