package job

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"iter"
	"sync"

	"golang.org/x/image/draw"
)

// Bounds of a picture.
const (
	MaxPicture       = 2 << 20    // bytes
	maxPicturePixels = 12_000_000 // of one that is decoded
	maxDecoded       = 48 << 20   // bytes that the decoder takes for it
	pictureSide      = 1600       // of one that is kept
	pictureQuality   = 82
)

// decoding is held while a picture is decoded: one at a time, since each takes some ten megabytes.
var decoding sync.Mutex

// CleanPicture makes of a JPEG or PNG picture one for a job: upright, not larger than people need to read it, and without what a camera writes
// into it besides the picture, such as the place where it was taken.
func CleanPicture(data []byte) ([]byte, error) {
	if len(data) > MaxPicture {
		return nil, fmt.Errorf("picture: it has %d kB, the limit is %d kB: take it with a lower resolution", len(data)>>10, MaxPicture>>10)
	}
	c, _, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return nil, fmt.Errorf("picture: %w: give a JPEG or PNG picture", err)
	}
	if c.Width <= 0 || c.Height <= 0 || int64(c.Width)*int64(c.Height) > maxPicturePixels {
		return nil, fmt.Errorf("picture: it has %d x %d pixels, the limit is 12 megapixels: take it with a lower resolution", c.Width, c.Height)
	}
	if n := decoded(data, c); n > maxDecoded {
		return nil, fmt.Errorf("picture: opened, it takes %d MB, the limit is %d MB: send it as an ordinary JPEG picture", n>>20, maxDecoded>>20)
	}
	decoding.Lock()
	defer decoding.Unlock()
	clean, err := Shrink(data, pictureSide, pictureQuality)
	if err != nil {
		return nil, fmt.Errorf("picture: %w: it is damaged, take it again", err)
	}
	return clean.JPEG, nil
}

// decoded is how many bytes the decoders of the standard library take for a picture, by its header.
func decoded(data []byte, c image.Config) int64 {
	pixels := int64(c.Width) * int64(c.Height)
	if !bytes.HasPrefix(data, []byte("\x89PNG")) || len(data) <= 28 {
		return int64(float64(pixels) * jpegBytes(data))
	}
	depth, kind, interlaced := data[24], data[25], data[28] != 0 // of IHDR (PNG, 11.2.2)
	each := int64(4)
	switch {
	case depth == 16:
		each = 8
	case kind == 3: // a palette
		each = 1
	}
	if interlaced { // each pass is a picture of its own
		each *= 2
	}
	return pixels * each
}

// jpegBytes is how many bytes a pixel of a JPEG picture takes (ITU-T T.81, B.2.2): one in each plane, four more of a progressive picture,
// whose coefficients are kept, and four when its colours are converted.
func jpegBytes(data []byte) float64 {
	converted := 0.0
	for marker, part := range segments(data) {
		if marker == 0xee && bytes.HasPrefix(part, []byte("Adobe")) {
			converted = 4
		}
		if marker < 0xc0 || marker > 0xc2 || len(part) < 6 || len(part) < 6+3*int(part[5]) {
			continue
		}
		sum, most := 0.0, 1.0
		for i := range int(part[5]) {
			id, h, v := part[6+3*i], float64(part[7+3*i]>>4), float64(part[7+3*i]&15)
			if sum, most = sum+h*v, max(most, h*v); id == 'R' || i == 3 {
				converted = 4
			}
		}
		planes := sum / most
		if marker == 0xc2 {
			planes *= 5
		}
		return planes + converted
	}
	return 19 // the most that there is
}

// segments are the segments of a JPEG picture before its scan, by their markers.
func segments(data []byte) iter.Seq2[byte, []byte] {
	return func(yield func(byte, []byte) bool) {
		for at := 2; at+4 <= len(data) && data[at] == 0xff; {
			marker, size := data[at+1], int(binary.BigEndian.Uint16(data[at+2:]))
			if marker == 0xda || size < 2 || at+2+size > len(data) || !yield(marker, data[at+4:at+2+size]) {
				return
			}
			at += 2 + size
		}
	}
}

// Shrink makes of a JPEG or PNG picture one whose longer side is at most so many pixels, upright, and without what a camera writes into it
// besides the picture.
func Shrink(data []byte, side, quality int) (Picture, error) {
	from, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		return Picture{}, err
	}
	to := upright(smaller(from, side), orientation(data))
	var out bytes.Buffer
	if err := jpeg.Encode(&out, to, &jpeg.Options{Quality: quality}); err != nil {
		return Picture{}, err
	}
	return Picture{JPEG: out.Bytes(), Width: to.Rect.Dx(), Height: to.Rect.Dy()}, nil
}

// smaller scales a picture down until its longer side is at most so long.
func smaller(from image.Image, most int) *image.RGBA {
	w, h := from.Bounds().Dx(), from.Bounds().Dy()
	if side := max(w, h); side > most {
		w, h = max(1, w*most/side), max(1, h*most/side)
	}
	to := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(to, to.Bounds(), image.White, image.Point{}, draw.Src) // behind what is transparent
	draw.ApproxBiLinear.Scale(to, to.Bounds(), from, from.Bounds(), draw.Over, nil)
	return to
}

// upright turns a picture as its camera says (Exif 2.32, tag 0x0112).
func upright(from *image.RGBA, orientation int) *image.RGBA {
	if orientation < 2 || orientation > 8 {
		return from
	}
	w, h := from.Rect.Dx(), from.Rect.Dy()
	to := image.NewRGBA(image.Rect(0, 0, w, h))
	if orientation >= 5 {
		to = image.NewRGBA(image.Rect(0, 0, h, w))
	}
	for y := range h {
		for x := range w {
			tx, ty := x, y
			switch orientation {
			case 2:
				tx = w - 1 - x
			case 3:
				tx, ty = w-1-x, h-1-y
			case 4:
				ty = h - 1 - y
			case 5:
				tx, ty = y, x
			case 6:
				tx, ty = h-1-y, x
			case 7:
				tx, ty = h-1-y, w-1-x
			case 8:
				tx, ty = y, w-1-x
			}
			to.SetRGBA(tx, ty, from.RGBAAt(x, y))
		}
	}
	return to
}

// orientation is how a camera held a JPEG picture, 0 when it does not say.
func orientation(data []byte) int {
	for marker, part := range segments(data) {
		if marker == 0xe1 && bytes.HasPrefix(part, []byte("Exif\x00\x00")) {
			n, err := exifOrientation(part[6:])
			if err != nil {
				return 0
			}
			return n
		}
	}
	return 0
}

var errExif = errors.New("no orientation")

// exifOrientation reads the first directory of a TIFF file.
func exifOrientation(tiff []byte) (int, error) {
	var order binary.ByteOrder = binary.LittleEndian
	switch {
	case len(tiff) < 8:
		return 0, errExif
	case tiff[0] == 'M':
		order = binary.BigEndian
	}
	at := int64(order.Uint32(tiff[4:]))
	if at+2 > int64(len(tiff)) {
		return 0, errExif
	}
	n := int(order.Uint16(tiff[at:]))
	for i := range n {
		e := at + 2 + int64(i)*12
		if e+12 > int64(len(tiff)) {
			return 0, errExif
		}
		if order.Uint16(tiff[e:]) == 0x0112 {
			return int(order.Uint16(tiff[e+8:])), nil
		}
	}
	return 0, errExif
}
