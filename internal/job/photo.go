package job

import (
	"bytes"
	"fmt"
	"image"
)

// maxPhotoPixels bounds a photo of a job. Whoever decodes them takes one at a time.
const maxPhotoPixels = 50_000_000

// CheckPhoto refuses what is no photo, or too large a one. Only its size is read.
func CheckPhoto(data []byte) error {
	c, _, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return fmt.Errorf("%w: give a JPEG or PNG picture that can be opened", err)
	}
	if c.Width <= 0 || c.Height <= 0 || c.Width > maxPhotoPixels/c.Height {
		return fmt.Errorf("it has %d x %d pixels: scale it down", c.Width, c.Height)
	}
	return nil
}
