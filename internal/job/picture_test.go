package job

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"strings"
	"testing"
)

// photo is a JPEG picture, red at its left and blue at its right, as a camera writes it: held in some way, with the place in it.
func photo(t *testing.T, w, h, orientation int) []byte {
	t.Helper()
	p := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{R: 255, A: 255}
			if x >= w/2 {
				c = color.RGBA{B: 255, A: 255}
			}
			p.SetRGBA(x, y, c)
		}
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, p, nil); err != nil {
		t.Fatal(err)
	}
	tiff := []byte("II*\x00\x08\x00\x00\x00\x01\x00\x12\x01\x03\x00\x01\x00\x00\x00")
	tiff = append(tiff, byte(orientation), 0, 0, 0, 0, 0, 0, 0)
	tiff = append(tiff, "GPS 50.1525 N 5.0655 W"...)
	part := append([]byte("Exif\x00\x00"), tiff...)
	head := binary.BigEndian.AppendUint16([]byte{0xff, 0xd8, 0xff, 0xe1}, uint16(len(part)+2))
	return append(append(head, part...), b.Bytes()[2:]...)
}

// TestPicture: a picture is kept without what the camera wrote into it, upright and small.
func TestPicture(t *testing.T) {
	for name, c := range map[string]struct {
		orientation int
		w, h        int
		red         image.Point // a point of the left half as taken
	}{
		"as held":       {1, 1600, 800, image.Pt(100, 400)},
		"upside down":   {3, 1600, 800, image.Pt(1500, 400)},
		"on its side":   {6, 800, 1600, image.Pt(400, 100)},
		"on its other":  {8, 800, 1600, image.Pt(400, 1500)},
		"mirrored":      {2, 1600, 800, image.Pt(1500, 400)},
		"says nonsense": {77, 1600, 800, image.Pt(100, 400)},
	} {
		t.Run(name, func(t *testing.T) {
			taken := photo(t, 3200, 1600, c.orientation)
			if !bytes.Contains(taken, []byte("GPS 50.1525")) {
				t.Fatal("the camera wrote no place")
			}
			kept, err := CleanPicture(taken)
			if err != nil {
				t.Fatal(err)
			}
			if bytes.Contains(kept, []byte("Exif")) || bytes.Contains(kept, []byte("GPS")) {
				t.Error("the place is kept")
			}
			p, err := jpeg.Decode(bytes.NewReader(kept))
			if err != nil || p.Bounds().Dx() != c.w || p.Bounds().Dy() != c.h {
				t.Fatalf("%v: %v", p.Bounds(), err)
			}
			if r, _, b, _ := p.At(c.red.X, c.red.Y).RGBA(); r < b {
				t.Errorf("blue at %v", c.red)
			}
		})
	}
}

// TestPictureRefused: what is no picture, and what takes more memory than it may.
func TestPictureRefused(t *testing.T) {
	var wide bytes.Buffer
	if err := png.Encode(&wide, image.NewGray(image.Rect(0, 0, 4001, 3000))); err != nil {
		t.Fatal(err)
	}
	whole := photo(t, 64, 64, 1)
	for name, c := range map[string]struct {
		data []byte
		want string
	}{
		"text":       {[]byte("a picture"), "give a JPEG or PNG picture"},
		"nothing":    {nil, "give a JPEG or PNG picture"},
		"too large":  {make([]byte, MaxPicture+1), "limit is 2048 kB"},
		"too wide":   {wide.Bytes(), "limit is 12 megapixels"},
		"broken off": {whole[:len(whole)-30], "it is damaged"},
	} {
		t.Run(name, func(t *testing.T) {
			if _, err := CleanPicture(c.data); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v", err)
			}
		})
	}
}

func FuzzPicture(f *testing.F) {
	f.Add([]byte("\xff\xd8\xff\xe1\x00\x10Exif\x00\x00II*\x00\xff\xff\xff\xff"))
	f.Fuzz(func(_ *testing.T, data []byte) { orientation(data) })
}
