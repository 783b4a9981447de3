package main

import (
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/klauspost/compress/zstd"

	"muster/internal/capture"
	"muster/internal/cli"
	"muster/internal/event"
	"muster/internal/render"
)

// captureFormat finds the format that a file's name asks for, and its compression suffix.
func captureFormat(name string) (format capture.Format, packed string, err error) {
	base := strings.ToLower(filepath.Base(name))
	for _, suffix := range []string{".gz", ".zst"} {
		if rest, ok := strings.CutSuffix(base, suffix); ok {
			base, packed = rest, suffix
		}
	}
	switch filepath.Ext(base) {
	case ".log", ".candump":
		return capture.FormatCandump, packed, nil
	case ".pcap":
		return capture.FormatPcap, packed, nil
	case ".pcapng":
		return capture.FormatPcapng, packed, nil
	case ".nmea", ".0183", ".txt":
		return capture.FormatNMEA0183, packed, nil
	}
	return capture.FormatUnknown, "", cli.WithHint(fmt.Errorf("write %q: unknown file extension", name),
		"end it with .log (candump), .pcapng, .pcap or .nmea, and .gz or .zst after that to pack it")
}

// captureFile is one capture being written.
type captureFile struct {
	*capture.Writer
	name string
	f    *os.File
	pack io.WriteCloser // nil for a plain file
	size *countWriter
}

// countWriter counts what reaches the file.
type countWriter struct {
	w io.Writer
	n int64
}

func (c *countWriter) Write(p []byte) (int, error) {
	n, err := c.w.Write(p)
	c.n += int64(n)
	return n, err
}

// createCapture opens a new file. One that exists is refused unless force is set.
func createCapture(name string, force bool) (*captureFile, error) {
	format, packed, err := captureFormat(name)
	if err != nil {
		return nil, err
	}
	flags := os.O_WRONLY | os.O_CREATE | os.O_EXCL
	if force {
		flags = os.O_WRONLY | os.O_CREATE | os.O_TRUNC
	}
	f, err := os.OpenFile(name, flags, 0o644)
	if err != nil {
		return nil, overwriting(err, name)
	}
	c := &captureFile{name: name, f: f, size: &countWriter{w: f}}
	var w io.Writer = c.size
	switch packed {
	case ".gz":
		c.pack = gzip.NewWriter(c.size)
	case ".zst":
		// One goroutine and a small window: this runs for weeks on small computers.
		if c.pack, err = zstd.NewWriter(c.size, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(1<<20)); err != nil {
			_ = f.Close()
			return nil, fmt.Errorf("write %q: %w", name, err)
		}
	}
	if c.pack != nil {
		w = c.pack
	}
	if c.Writer, err = capture.NewWriter(w, format); err != nil {
		_ = f.Close()
		return nil, fmt.Errorf("write %q: %w", name, err)
	}
	return c, nil
}

// bytes is the size of the file, with what waits to be written of a plain one.
func (c *captureFile) bytes() int64 {
	if c.pack == nil {
		return c.Size()
	}
	return c.size.n
}

// sync hands what was written to the system.
func (c *captureFile) sync() error {
	if err := c.Flush(); err != nil {
		return fmt.Errorf("write %q: %w", c.name, err)
	}
	if p, ok := c.pack.(interface{ Flush() error }); ok {
		if err := p.Flush(); err != nil {
			return fmt.Errorf("write %q: %w", c.name, err)
		}
	}
	return nil
}

// Close ends the file, down to the disk.
func (c *captureFile) Close() error {
	err := c.Flush()
	if c.pack != nil {
		if perr := c.pack.Close(); err == nil {
			err = perr
		}
	}
	if serr := c.f.Sync(); err == nil {
		err = serr
	}
	if cerr := c.f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return fmt.Errorf("write %q: %w", c.name, cli.PlainPath(err))
	}
	return nil
}

// rotation writes captures of bounded size: FILE itself while there is no bound, otherwise FILE-0001, FILE-0002 and so
// on, of which the latest are kept.
type rotation struct {
	name     string
	maxSize  int64 // 0 for no bound
	maxFiles int   // 0 keeps all
	force    bool

	file     *captureFile
	number   int
	written  []string
	networks []event.Event // the latest introduction of each network, to begin a new file with
	skipped  uint64
	events   uint64
	bytes    int64
}

func (r *rotation) open() error {
	name := r.name
	if r.maxSize > 0 {
		r.number++
		name = numbered(r.name, r.number)
	}
	f, err := createCapture(name, r.force)
	if err != nil {
		return err
	}
	r.file = f
	r.written = append(r.written, name)
	for i := range r.networks {
		if err := f.Write(&r.networks[i]); err != nil {
			return err
		}
	}
	for r.maxFiles > 0 && len(r.written) > r.maxFiles {
		if err := os.Remove(r.written[0]); err != nil {
			return fmt.Errorf("remove the oldest capture: %w", err)
		}
		r.written = r.written[1:]
	}
	return nil
}

// numbered puts a number before the suffixes: quay-0001.log.zst.
func numbered(name string, n int) string {
	dir, base := filepath.Split(name)
	stem, suffixes := base, ""
	for range 2 {
		ext := filepath.Ext(stem)
		if ext == stem {
			break
		}
		stem, suffixes = strings.TrimSuffix(stem, ext), ext+suffixes
		if ext != ".gz" && ext != ".zst" {
			break
		}
	}
	return fmt.Sprintf("%s%s-%04d%s", dir, stem, n, suffixes)
}

// Write adds one event and begins a new file when this one is full. It implements sim.Sink.
func (r *rotation) Write(e *event.Event) error {
	if e.Kind == event.KindNetwork {
		r.introduce(e)
	}
	if r.maxSize > 0 && r.file.bytes() >= r.maxSize {
		if err := r.close(); err != nil {
			return err
		}
		if err := r.open(); err != nil {
			return err
		}
	}
	switch e.Kind {
	case event.KindEnd:
		return nil
	case event.KindNetwork:
	default:
		r.events++
	}
	return r.file.Write(e)
}

// printWritten prints what was written and what was left out.
func (r *rotation) printWritten(w io.Writer) {
	fmt.Fprintf(w, "%s events, %s bytes in %s", render.Grouped(r.events-r.skipped), render.Grouped(uint64(r.bytes)),
		strings.Join(r.written, " "))
	if r.skipped > 0 {
		fmt.Fprintf(w, "; %s events have no place in this format", render.Grouped(r.skipped))
	}
	fmt.Fprintln(w)
}

// finish ends a recording, with the error that stopped it if there is one, and prints what was written.
func (r *rotation) finish(w io.Writer, err error) error {
	if cerr := r.close(); err == nil {
		err = cerr
	}
	switch {
	case r.events == 0:
		return errors.Join(err, r.remove())
	case err == nil && r.skipped == r.events:
		return errors.Join(r.misfit(), r.remove())
	}
	r.printWritten(w)
	return err
}

// remove takes away files that hold nothing.
func (r *rotation) remove() error {
	for _, name := range r.written {
		if err := os.Remove(name); err != nil {
			return fmt.Errorf("remove the empty capture: %w", err)
		}
	}
	return nil
}

// misfit refuses a recording of which nothing has a place in the format that the name chose.
func (r *rotation) misfit() error {
	kind, other := "CAN frames", ".nmea"
	if format, _, _ := captureFormat(r.name); format == capture.FormatNMEA0183 {
		kind, other = "NMEA 0183 sentences", ".log or .pcapng"
	}
	return cli.WithHint(fmt.Errorf("write %q: this name means %s, and none came", r.name, kind),
		"choose a name that ends in %s to keep the %s events that came", other, render.Grouped(r.events))
}

func (r *rotation) introduce(e *event.Event) {
	for i := range r.networks {
		if r.networks[i].Network == e.Network {
			r.networks[i] = *e
			return
		}
	}
	r.networks = append(r.networks, *e)
}

func (r *rotation) close() error {
	if r.file == nil {
		return nil
	}
	f := r.file
	r.file = nil
	r.skipped += f.Skipped()
	err := f.Close()
	r.bytes += f.size.n
	return err
}
