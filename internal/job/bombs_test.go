package job

import (
	"testing"

	"muster/internal/input/inputtest"
)

func TestBombs(t *testing.T) {
	inputtest.YAML(t, func(text []byte) error { _, err := Parse(t.Context(), "job.yaml", text); return err }, "open_items", "shop")
}
