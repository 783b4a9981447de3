// Package capture reads and writes recordings of network traffic in the formats that technicians' tools leave behind.
//
// A reader finds the format by content, unpacks gzip and Zstandard, and streams: its memory does not grow with the file.
// Whatever cannot be read becomes a KindDamaged event with a reason and never stops the read.
package capture

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"sync/atomic"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"

	"muster/internal/event"
)

// Format is a capture file format.
type Format uint8

// The formats. The text formats can be mixed in one file; the name is that of the form that prevails.
const (
	FormatUnknown      Format = iota
	FormatCandump             // candump -L: "(seconds.micros) can0 09F80102#36729A16021AB80D"; may hold 0183 lines too
	FormatCandumpHuman        // candump's columns: "(seconds.micros)  can0  09F80102   [8]  36 72 9A 16 02 1A B8 0D"
	FormatPcap                // pcap with link type 227
	FormatPcapng              // pcapng with link type 227
	FormatNMEA0183            // NMEA 0183 lines, with or without time stamps
	formatCount
)

var formatNames = [formatCount]string{"unknown", "candump", "candump-human", "pcap", "pcapng", "nmea0183"}

// String is the format's short name.
func (f Format) String() string {
	if f < formatCount {
		return formatNames[f]
	}
	return fmt.Sprintf("format(%d)", uint8(f))
}

// Errors that a caller can distinguish. Their texts carry the way out.
var (
	ErrUnknownFormat = errors.New("unknown capture format: give a candump log, a pcap or pcapng file of a CAN interface, or NMEA 0183 lines; .gz and .zst are opened")
	ErrEmpty         = errors.New("the capture is empty: record some traffic first, for instance with muster capture can0 -o FILE")
	ErrLinkType      = errors.New("the capture holds no CAN traffic: record from a CAN interface (link type 227)")
	ErrWindow        = errors.New("unpacking the capture would take more than 32 MB: unpack it first, or pack it with at most zstd --long=25")
	ErrPacking       = errors.New("the packed capture cannot be unpacked: copy it again from its origin")
)

// decoder is one format's reader. decode has the contract of Reader.Read.
type decoder interface {
	decode(events []event.Event) (int, error)
}

// Reader streams the events of one capture. One goroutine reads it; Progress may be called from any.
type Reader struct {
	format Format
	dec    decoder
	in     *counter
	unpack []io.Closer
	once   sync.Once
}

const (
	headSize = 64 << 10 // how far the format is looked for
	maxDepth = 3        // packings inside packings
)

// NewReader finds the format of r and prepares to read it. It reads no more than the format needs, so it suits a
// pipe. Close releases the unpackers; it does not close r.
func NewReader(r io.Reader) (*Reader, error) {
	c := &Reader{in: &counter{r: r, total: sizeOf(r)}}
	var in io.Reader = c.in
	for depth := 0; ; depth++ {
		w := newWindow(in)
		format, err := detect(w)
		if err != nil {
			c.Close()
			if e := c.in.failure(); e != nil {
				return nil, fmt.Errorf("read capture: %w", e)
			}
			return nil, err
		}
		if format != packedGzip && format != packedZstd {
			if err := c.start(format, w); err != nil {
				c.Close()
				return nil, err
			}
			return c, nil
		}
		if depth == maxDepth {
			c.Close()
			return nil, ErrUnknownFormat
		}
		if in, err = c.open(format, w); err != nil {
			c.Close()
			return nil, fmt.Errorf("%w: %w", ErrPacking, err)
		}
	}
}

// open puts an unpacker on w.
func (c *Reader) open(packing Format, w *window) (io.Reader, error) {
	if packing == packedGzip {
		z, err := gzip.NewReader(w)
		if err != nil {
			return nil, err
		}
		c.unpack = append(c.unpack, z)
		return z, nil
	}
	// One decoder without goroutines. A few bytes can ask for a window; those of zstd --long=25 are the largest that a file needs.
	z, err := zstd.NewReader(w, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxWindow(32<<20),
		zstd.WithDecoderLowmem(true))
	if err != nil {
		return nil, err
	}
	rc := z.IOReadCloser()
	c.unpack = append(c.unpack, rc)
	return rc, nil
}

func (c *Reader) start(format Format, w *window) error {
	c.format = format
	w.io = c.in
	var err error
	switch format {
	case FormatPcap:
		c.dec, err = newPcap(w)
	case FormatPcapng:
		c.dec, err = newPcapng(w)
	default:
		c.dec = newText(w, format)
	}
	return err
}

// Format is what the content was found to be.
func (c *Reader) Format() Format { return c.format }

// Read fills events from the front and returns how many it filled. It blocks until there is at least one and returns io.EOF
// after the last. Lines alias a buffer that the next Read reuses. A network is announced by a KindNetwork event before its first
// event. Damage is counted per reason; runs of the same damage are one event.
func (c *Reader) Read(events []event.Event) (int, error) {
	if len(events) == 0 {
		return 0, nil
	}
	n, err := c.dec.decode(events)
	if n > 0 {
		return n, nil
	}
	if err != nil && err != io.EOF {
		err = fmt.Errorf("read capture: %w", err)
	}
	return n, err
}

// Progress is how many bytes of the input have been read and how many there are; total is 0 when that is not known.
func (c *Reader) Progress() (read, total int64) { return c.in.n.Load(), c.in.total }

// Close releases what unpacking holds. The input stays open.
func (c *Reader) Close() error {
	var err error
	c.once.Do(func() {
		for i := len(c.unpack) - 1; i >= 0; i-- {
			err = errors.Join(err, c.unpack[i].Close())
		}
	})
	return err
}

// counter counts what is read and remembers a failure of the input itself, to separate it from damage inside a packed
// file.
type counter struct {
	r     io.Reader
	n     atomic.Int64
	total int64
	err   error
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n.Add(int64(n))
	if err != nil && err != io.EOF {
		c.err = err
	}
	return n, err
}

func (c *counter) failure() error { return c.err }

func sizeOf(r io.Reader) int64 {
	switch r := r.(type) {
	case interface{ Stat() (os.FileInfo, error) }:
		if fi, err := r.Stat(); err == nil && fi.Mode().IsRegular() {
			return fi.Size()
		}
	case *bytes.Reader:
		return int64(r.Len())
	case *bufio.Reader:
		return 0
	}
	return 0
}
