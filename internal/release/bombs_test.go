package release

import (
	"testing"

	"muster/internal/input/inputtest"
)

func TestBombs(t *testing.T) {
	t.Run("sheet", func(t *testing.T) {
		inputtest.YAML(t, func(text []byte) error { _, err := Load(t.Context(), SheetFile{"sheet.yaml", text}); return err }, "models")
	})
	t.Run("order", func(t *testing.T) {
		inputtest.JSON(t, func(text []byte) error { _, err := ParseOrder(t.Context(), text); return err }, "groups", "boat", "schema")
	})
	o := planned(t)
	t.Run("following", func(t *testing.T) {
		inputtest.JSON(t, func(text []byte) error { _, err := Restore(t.Context(), o, text); return err }, "steps", "schema")
	})
}
