package fleet

import (
	"strings"
	"testing"

	"github.com/klauspost/compress/zstd"

	"muster/internal/input/inputtest"
)

func TestBombs(t *testing.T) {
	c, err := NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	w, err := zstd.NewWriter(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Close()
	read := func(text []byte) error { _, err := c.Decode(text); return err }
	t.Run("envelope", func(t *testing.T) {
		inputtest.JSON(t, func(text []byte) error { return read(w.EncodeAll(text, nil)) }, "schema", "boat")
	})
	t.Run("zeros", func(t *testing.T) { // a few kB that unfold to many MB
		inputtest.Try(t, string(w.EncodeAll(make([]byte, 64<<20), nil)), true, read)
	})
	t.Run("zeros in a body", func(t *testing.T) {
		text := `{"schema":"` + Schema + `","body":"` + strings.Repeat("0", 64<<20) + `"}`
		inputtest.Try(t, string(w.EncodeAll([]byte(text), nil)), true, read)
	})
}
