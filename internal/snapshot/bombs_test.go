package snapshot

import (
	"testing"

	"muster/internal/input/inputtest"
)

func TestBombs(t *testing.T) {
	inputtest.JSON(t, func(text []byte) error {
		s, err := Decode(text)
		if err == nil {
			err = s.Verify(nil)
		}
		return err
	}, "report", "schema")
}
