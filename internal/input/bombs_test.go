package input_test

import (
	"context"
	"testing"

	"muster/internal/input"
	"muster/internal/input/inputtest"
)

type node struct {
	A    any               `yaml:"a" json:"a"`
	Text string            `yaml:"text" json:"text"`
	List []node            `yaml:"list" json:"list"`
	Map  map[string]string `yaml:"map" json:"map"`
	Fill [64]int           `yaml:"fill" json:"fill"`
}

func TestBombs(t *testing.T) {
	ctx := context.Background()
	keys := []string{"text", "list"}
	t.Run("yaml", func(t *testing.T) {
		inputtest.YAML(t, func(text []byte) error {
			_, err := input.YAML(ctx, "bomb.yaml", text, new(node))
			return err
		}, keys...)
	})
	t.Run("yaml into anything", func(t *testing.T) {
		inputtest.YAML(t, func(text []byte) error {
			var v any
			_, err := input.YAML(ctx, "bomb.yaml", text, &v)
			return err
		}, "A")
	})
	t.Run("json", func(t *testing.T) {
		inputtest.JSON(t, func(text []byte) error { return input.JSON(ctx, "bomb.json", text, new(node)) }, keys...)
	})
	t.Run("json into anything", func(t *testing.T) {
		inputtest.JSON(t, func(text []byte) error {
			var v any
			return input.OpenJSON(ctx, "bomb.json", text, &v)
		}, "A")
	})
}
