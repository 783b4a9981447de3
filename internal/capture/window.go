package capture

import "io"

const windowSize = 256 << 10

// window is a sliding view of the input: buf[pos:end] is read but not used.
type window struct {
	r        io.Reader
	io       *counter // the input below any unpackers; nil while the format is being looked for
	buf      []byte
	pos, end int
	err      error
}

func newWindow(r io.Reader) *window { return &window{r: r, buf: make([]byte, windowSize)} }

// rest is what is at hand.
func (w *window) rest() []byte { return w.buf[w.pos:w.end] }

// fill reads again, moving what is at hand to the front. It reports whether anything was added; what was handed out
// before is overwritten. A full window adds nothing and sets no error.
func (w *window) fill() bool {
	if w.err != nil {
		return false
	}
	if w.pos > 0 {
		copy(w.buf, w.buf[w.pos:w.end])
		w.end -= w.pos
		w.pos = 0
	}
	for tries := 0; w.end < len(w.buf); tries++ {
		n, err := w.r.Read(w.buf[w.end:])
		w.end += n
		if err != nil {
			w.err = err
			return n > 0
		}
		if n > 0 {
			return true
		}
		if tries == 100 {
			w.err = io.ErrNoProgress
			return false
		}
	}
	return false
}

// full reports that no line or record end can still come into view.
func (w *window) full() bool { return w.pos == 0 && w.end == len(w.buf) }

// need makes at least n bytes available and reports whether it could.
func (w *window) need(n int) bool {
	for w.end-w.pos < n {
		if n > len(w.buf) || !w.fill() {
			return false
		}
	}
	return true
}

// short reports that fewer than n bytes are at hand while more may come.
func (w *window) short(n int) bool { return w.end-w.pos < n && w.err == nil }

// packing reports that the input was sound but its packing was not, so what came so far is all there is.
func (w *window) packing() bool {
	return w.err != nil && w.err != io.EOF && w.io != nil && w.io.failure() == nil
}

// Read takes from the front, for an unpacker that reads through the window.
func (w *window) Read(p []byte) (int, error) {
	if w.pos == w.end && !w.fill() {
		return 0, w.err
	}
	n := copy(p, w.rest())
	w.pos += n
	return n, nil
}
