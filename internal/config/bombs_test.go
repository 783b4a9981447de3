package config

import (
	"testing"

	"muster/internal/input/inputtest"
)

func TestBombs(t *testing.T) {
	t.Run("config", func(t *testing.T) {
		inputtest.YAML(t, func(text []byte) error { _, err := Parse(t.Context(), "muster.yaml", text); return err }, "sources")
	})
	t.Run("manufacturers", func(t *testing.T) {
		inputtest.YAML(t, func(text []byte) error {
			_, err := ParseManufacturers(t.Context(), "manufacturers.yaml", text)
			return err
		}, "7")
	})
	t.Run("notes", func(t *testing.T) {
		inputtest.YAML(t, func(text []byte) error { _, err := ParseNotes(t.Context(), "notes.yaml", text); return err }, "devices")
	})
}
