package pgn

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// ErrTooLong is the error, wrapped, of a payload that does not fit the message's transport.
var ErrTooLong = errors.New("payload does not fit the transport")

// filling is for fixed width text, the longest of which has 32 bytes.
const filling = "\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF\xFF"

// finish checks the length.
func (d *Definition) finish(w *writer, start int) ([]byte, error) {
	w.align()
	if n := len(w.dst) - start; n > d.Transport.MaxLength() {
		return w.dst[:start], fmt.Errorf("pgn: encode %d: %d bytes: %w", d.PGN, n, ErrTooLong)
	}
	return w.dst, nil
}

// writer appends bits, the lowest first.
type writer struct {
	dst  []byte
	acc  uint64 // bits that are not in dst yet
	held uint   // how many
}

// bits appends the lowest width bits of raw.
func (w *writer) bits(raw uint64, width int) {
	if width > 56 {
		w.bits(raw&math.MaxUint32, 32)
		raw, width = raw>>32, width-32
	}
	if w.held+uint(width) > 64 {
		w.flush()
	}
	w.acc |= raw & (1<<width - 1) << w.held
	w.held += uint(width)
}

// flush moves all full bytes to dst.
func (w *writer) flush() {
	n := w.held >> 3
	w.dst = binary.LittleEndian.AppendUint64(w.dst, w.acc)[:len(w.dst)+int(n)]
	w.acc >>= n * 8
	w.held &= 7
}

// align fills the last byte with ones and moves everything to dst.
func (w *writer) align() {
	if n := w.held & 7; n != 0 {
		w.bits(0xFF, 8-int(n))
	}
	w.flush()
}
