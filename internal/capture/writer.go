package capture

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strconv"

	"muster/internal/event"
)

// Writer writes events as a capture. What a format cannot hold is passed over and counted. Call Flush at the end.
type Writer struct {
	w       *bufio.Writer
	format  Format
	nets    []string // names by network number
	ifs     []int32  // pcapng: interface index by network number, -1 none yet
	written int64
	skipped uint64
	drops   uint64
	count   int32
	line    []byte
}

// ErrOneNetwork means that a pcap file cannot hold what it was given.
var ErrOneNetwork = errors.New("a pcap file holds one network: write pcapng or candump instead")

// NewWriter writes the header of a capture to w. It writes candump and sentence logs with microseconds, pcap with
// nanoseconds, pcapng, and stamped NMEA 0183 lines; a candump log can hold NMEA 0183 lines too.
func NewWriter(w io.Writer, format Format) (*Writer, error) {
	c := &Writer{w: bufio.NewWriterSize(w, 64<<10), format: format}
	switch format {
	case FormatCandump, FormatNMEA0183:
	case FormatPcap:
		h := make([]byte, 0, 24)
		h = binary.LittleEndian.AppendUint32(h, 0xA1B23C4D)
		h = append(h, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0)
		h = binary.LittleEndian.AppendUint32(h, maxRecord)
		h = binary.LittleEndian.AppendUint32(h, linkCAN)
		c.put(h)
	case FormatPcapng:
		h := binary.LittleEndian.AppendUint32(nil, 0x1A2B3C4D)
		h = append(h, 1, 0, 0, 0)
		h = append(h, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF) // section length not given
		c.block(blockSection, h)
	default:
		return nil, fmt.Errorf("write capture: format %q cannot be written: use candump, pcap, pcapng or nmea0183", format)
	}
	return c, nil
}

// Write adds one event. Errors of the underlying writer may come at a later Write or at Flush.
func (c *Writer) Write(e *event.Event) error {
	if e.Kind == event.KindNetwork && e.Info != nil {
		return c.network(int(e.Network), e.Info)
	}
	switch {
	case e.Kind == event.KindFrame || e.Kind == event.KindErrorFrame:
		switch c.format {
		case FormatCandump:
			return c.frameLine(e)
		case FormatPcap:
			return c.pcapRecord(e)
		case FormatPcapng:
			return c.pcapngBlock(e)
		}
	case e.Kind == event.KindLine && (c.format == FormatCandump || c.format == FormatNMEA0183):
		return c.sentenceLine(e)
	case e.Kind == event.KindDropped && c.format == FormatCandump:
		c.drops += uint64(e.Count)
		return c.put(fmt.Appendf(c.line[:0], "DROPCOUNT: dropped %d CAN frames on '%s' socket (total drops %d)\n", e.Count, c.name(e), c.drops))
	}
	c.skipped++
	return nil
}

// Flush hands everything to the underlying writer.
func (c *Writer) Flush() error {
	if err := c.w.Flush(); err != nil {
		return fmt.Errorf("write capture: %w", err)
	}
	return nil
}

// Size is how many bytes have been written, those not yet flushed included.
func (c *Writer) Size() int64 { return c.written }

// Skipped is how many events the format could not hold.
func (c *Writer) Skipped() uint64 { return c.skipped }

func (c *Writer) put(b []byte) error {
	c.line = b[:0]
	n, err := c.w.Write(b)
	c.written += int64(n)
	if err != nil {
		return fmt.Errorf("write capture: %w", err)
	}
	return nil
}

func (c *Writer) network(i int, info *event.Network) error {
	if c.format == FormatPcap && info.Kind == event.NMEA2000 && i > 0 {
		for _, name := range c.nets {
			if name != "" && name != info.ID {
				return fmt.Errorf("write capture: network %q: %w", info.ID, ErrOneNetwork)
			}
		}
	}
	for len(c.nets) <= i {
		c.nets = append(c.nets, "")
		c.ifs = append(c.ifs, -1)
	}
	if c.nets[i] != info.ID {
		c.nets[i], c.ifs[i] = info.ID, -1
	}
	return nil
}

func (c *Writer) name(e *event.Event) string {
	if i := int(e.Network); i < len(c.nets) && c.nets[i] != "" {
		return c.nets[i]
	}
	if e.Kind == event.KindLine {
		return "line" + strconv.Itoa(int(e.Network))
	}
	return "can" + strconv.Itoa(int(e.Network))
}

// stamp begins a line with "(seconds.microseconds) name ", the form that every edition of can-utils reads. Finer stamps need pcapng.
func (c *Writer) stamp(e *event.Event) []byte {
	t := max(e.Time, 0)
	b := append(c.line[:0], '(')
	b = padded(b, uint64(t)/1e9, 10)
	b = append(b, '.')
	b = padded(b, uint64(t)%1e9/1e3, 6)
	b = append(b, ") "...)
	b = append(b, c.name(e)...)
	return append(b, ' ')
}

func padded(b []byte, v uint64, width int) []byte {
	at := len(b)
	for range width {
		b = append(b, '0')
	}
	for i := at + width - 1; i >= at && v > 0; i-- {
		b[i] += byte(v % 10)
		v /= 10
	}
	return b
}

const upperHex = "0123456789ABCDEF"

func hexDigits(b []byte, v uint32, width int) []byte {
	for i := width - 1; i >= 0; i-- {
		b = append(b, upperHex[v>>(4*i)&15])
	}
	return b
}

func (c *Writer) frameLine(e *event.Event) error {
	b := c.stamp(e)
	switch {
	case e.Kind == event.KindErrorFrame:
		b = hexDigits(b, e.Frame.ID&0x1FFFFFFF|flagError, 8)
	case e.Frame.IsExtended:
		b = hexDigits(b, e.Frame.ID&0x1FFFFFFF, 8)
	default:
		b = hexDigits(b, e.Frame.ID&0x7FF, 3)
	}
	b = append(b, '#')
	n := min(e.Frame.Length, 8)
	if e.Frame.IsRemote && e.Kind == event.KindFrame {
		b = append(b, 'R')
		if n > 0 {
			b = append(b, '0'+n)
		}
	} else {
		for _, v := range e.Frame.Data[:n] {
			b = append(b, upperHex[v>>4], upperHex[v&15])
		}
	}
	if e.Sent {
		b = append(b, " T"...)
	}
	return c.put(append(b, '\n'))
}

func (c *Writer) sentenceLine(e *event.Event) error {
	line := e.Line[:min(len(e.Line), maxLine-64)]
	if e.Sent {
		return c.put(append(append(c.stamp(e), line...), " T\n"...))
	}
	if len(line) > 0 && isSentenceStart(line[0]) {
		if e.Time == 0 && c.format == FormatNMEA0183 {
			return c.put(append(append(c.line[:0], line...), '\n'))
		}
		return c.put(append(append(c.stamp(e), line...), '\n'))
	}
	b := append(c.stamp(e), '*') // a mark: what follows is a raw line that starts like no sentence
	return c.put(append(append(b, line...), '\n'))
}

func (c *Writer) pcapRecord(e *event.Event) error {
	var r [32]byte
	n := putFrame(r[16:], e)
	t := uint64(max(e.Time, 0))
	binary.LittleEndian.PutUint32(r[0:], uint32(t/1e9))
	binary.LittleEndian.PutUint32(r[4:], uint32(t%1e9))
	binary.LittleEndian.PutUint32(r[8:], uint32(n))
	binary.LittleEndian.PutUint32(r[12:], uint32(n))
	return c.put(append(c.line[:0], r[:16+n]...))
}

func (c *Writer) pcapngBlock(e *event.Event) error {
	for len(c.ifs) <= int(e.Network) {
		c.nets = append(c.nets, "")
		c.ifs = append(c.ifs, -1)
	}
	if c.ifs[e.Network] < 0 {
		if err := c.interfaceBlock(c.name(e)); err != nil {
			return err
		}
		c.ifs[e.Network] = c.count
		c.count++
	}
	var frame [16]byte
	n := putFrame(frame[:], e)
	t := uint64(max(e.Time, 0))
	b := binary.LittleEndian.AppendUint32(make([]byte, 0, 64), uint32(c.ifs[e.Network]))
	b = binary.LittleEndian.AppendUint32(b, uint32(t>>32))
	b = binary.LittleEndian.AppendUint32(b, uint32(t))
	b = binary.LittleEndian.AppendUint32(b, uint32(n))
	b = binary.LittleEndian.AppendUint32(b, uint32(n))
	b = append(b, frame[:(n+3)&^3]...)
	direction := byte(1)
	if e.Sent {
		direction = 2
	}
	b = append(b, 2, 0, 4, 0, direction, 0, 0, 0, 0, 0, 0, 0)
	return c.block(blockPacket, b)
}

func (c *Writer) interfaceBlock(name string) error {
	b := []byte{linkCAN, 0, 0, 0}
	b = binary.LittleEndian.AppendUint32(b, maxRecord)
	b = append(b, 2, 0, byte(len(name)), 0) // if_name
	b = append(b, name...)
	for len(b)%4 != 0 {
		b = append(b, 0)
	}
	b = append(b, 9, 0, 1, 0, 9, 0, 0, 0) // if_tsresol: nanoseconds
	b = append(b, 0, 0, 0, 0)
	return c.block(blockInterface, b)
}

func (c *Writer) block(kind uint32, body []byte) error {
	size := uint32(12 + len(body))
	b := binary.LittleEndian.AppendUint32(c.line[:0], kind)
	b = binary.LittleEndian.AppendUint32(b, size)
	b = append(b, body...)
	b = binary.LittleEndian.AppendUint32(b, size)
	return c.put(b)
}
