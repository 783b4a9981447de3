package render

import (
	"bytes"
	"fmt"
	"os"
	"testing"

	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
)

// TestGlyphs: the table of characters is what both fonts have, by the font reader of golang.org/x/image.
func TestGlyphs(t *testing.T) {
	var buf sfnt.Buffer
	for _, ttf := range [][]byte{goregular.TTF, gobold.TTF} {
		font, err := sfnt.Parse(ttf)
		if err != nil {
			t.Fatal(err)
		}
		has := func(r rune) bool {
			g, err := font.GlyphIndex(&buf, r)
			if err != nil {
				t.Fatal(err)
			}
			return g != 0
		}
		text := bytes.NewBufferString("package render\n\nimport \"unicode\"\n\n// glyphs are the characters that the Go fonts draw; go test ./internal/render -run TestGlyphs -update writes them again.\n" +
			"var glyphs = &unicode.RangeTable{R16: []unicode.Range16{\n")
		for r := rune(0); r <= 0xFFFF; r++ {
			if from := r; has(r) {
				for r < 0xFFFF && has(r+1) {
					r++
				}
				fmt.Fprintf(text, "\t{0x%04x, 0x%04x, 1},\n", from, r)
			}
		}
		text.WriteString("}}\n")
		const file = "glyphs.go"
		if *update {
			if err := os.WriteFile(file, text.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if got, err := os.ReadFile(file); err != nil || !bytes.Equal(got, text.Bytes()) {
			t.Errorf("%s is not what the fonts have: %v", file, err)
		}
	}
}
