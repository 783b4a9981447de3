package job

import (
	"archive/zip"
	"bytes"
	"fmt"
	"testing"

	"muster/internal/input/inputtest"
)

func TestBombs(t *testing.T) {
	inputtest.YAML(t, func(text []byte) error { _, err := Parse(t.Context(), "job.yaml", text); return err }, "open_items", "shop")
}

// TestPackBombs: a pack that grows when it is unpacked is refused at the limit, in bounded memory, whatever it says of its length.
func TestPackBombs(t *testing.T) {
	const most = 8 << 20
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	for i := range 3 {
		to, err := w.Create(fmt.Sprint("files/", i))
		if err == nil {
			_, err = to.Write(make([]byte, most/2))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	inputtest.Try(t, b.String(), true, func(text []byte) error {
		return unzip(t.Context(), t.TempDir(), bytes.NewReader(text), int64(len(text)), most)
	})
}
