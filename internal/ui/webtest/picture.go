package webtest

import (
	"bytes"
	"cmp"
	"image"
	"image/color"
	"image/png"
	"maps"
	"slices"
)

// small cuts a picture of a page to so many pixels from the top and to its 256 commonest colours, which leaves a quarter of the bytes.
func small(picture []byte, high int) ([]byte, error) {
	whole, err := png.Decode(bytes.NewReader(picture))
	if err != nil {
		return nil, err
	}
	box := whole.Bounds().Intersect(image.Rect(0, 0, 1<<20, high))
	counts := map[color.Color]int{}
	for y := range box.Dy() {
		for x := range box.Dx() {
			counts[whole.At(x, y)]++
		}
	}
	common := slices.SortedFunc(maps.Keys(counts), func(a, b color.Color) int { return cmp.Compare(counts[b], counts[a]) })
	palette := color.Palette(common[:min(len(common), 256)])
	index := map[color.Color]uint8{}
	for _, c := range common {
		index[c] = uint8(palette.Index(c))
	}
	out := image.NewPaletted(box, palette)
	for y := range box.Dy() {
		for x := range box.Dx() {
			out.SetColorIndex(x, y, index[whole.At(x, y)])
		}
	}
	var b bytes.Buffer
	e := png.Encoder{CompressionLevel: png.BestCompression}
	if err := e.Encode(&b, out); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}
