package job

import (
	"archive/zip"
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
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

// TestPictureBombs: a picture of a few kilobytes that grows when it is opened is refused by its header, and one that is taken is taken in
// bounded memory.
func TestPictureBombs(t *testing.T) {
	write := func(m image.Image, as func(*bytes.Buffer, image.Image) error) string {
		var b bytes.Buffer
		if err := as(&b, m); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	asPNG := func(b *bytes.Buffer, m image.Image) error { return png.Encode(b, m) }
	asJPEG := func(b *bytes.Buffer, m image.Image) error { return jpeg.Encode(b, m, nil) }
	large := image.Rect(0, 0, 4000, 3000)
	plain := write(image.NewYCbCr(large, image.YCbCrSubsampleRatio420), asJPEG)
	progressive := bytes.Replace([]byte(plain), []byte{0xff, 0xc0}, []byte{0xff, 0xc2}, 1)
	for name, c := range map[string]struct {
		text    string
		refused bool
	}{
		"16 bits":           {write(image.NewRGBA64(large), asPNG), true},
		"8 bits":            {write(image.NewNRGBA(large), asPNG), false},
		"16 bits, small":    {write(image.NewRGBA64(image.Rect(0, 0, 2000, 2000)), asPNG), false},
		"a palette":         {write(image.NewPaletted(large, color.Palette{color.White, color.Black}), asPNG), false},
		"JPEG":              {plain, false},
		"progressive JPEG":  {string(progressive), true},
		"more than 12 MPix": {write(image.NewGray(image.Rect(0, 0, 4001, 3000)), asPNG), true},
	} {
		t.Run(name, func(t *testing.T) {
			inputtest.Try(t, c.text, c.refused, func(text []byte) error {
				_, err := CleanPicture(text)
				if err != nil && !c.refused {
					t.Error(err)
				}
				return err
			})
		})
	}
}
