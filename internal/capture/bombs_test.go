package capture

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"

	"muster/internal/event"
	"muster/internal/input/inputtest"
)

// TestBombs reads captures whose headers promise more than there is, or which unfold to much more than they are.
func TestBombs(t *testing.T) {
	u16 := func(b []byte, n ...uint16) []byte {
		for _, n := range n {
			b = binary.LittleEndian.AppendUint16(b, n)
		}
		return b
	}
	u32 := func(b []byte, n ...uint32) []byte {
		for _, n := range n {
			b = binary.LittleEndian.AppendUint32(b, n)
		}
		return b
	}
	section := u32(nil, blockSection, 28, 0x1A2B3C4D, 1, 0xFFFFFFFF, 0xFFFFFFFF, 28)
	device := append(u16(u32(nil, blockInterface, 20), 227, 0), u32(nil, 0xFFFFFFFF, 20)...)
	pcapHead := append(u16(u32(nil, 0xA1B2C3D4), 2, 4), u32(nil, 0, 0, 0xFFFFFFFF, 227)...)
	line := "(1.0) can0 09F11223#0102030405060708\n"
	zeros := make([]byte, 64<<20)
	gzipped := func(data []byte) []byte {
		var b bytes.Buffer
		w := gzip.NewWriter(&b)
		_, _ = w.Write(data)
		_ = w.Close()
		return b.Bytes()
	}
	zipped := func(data []byte) []byte {
		w, err := zstd.NewWriter(nil)
		if err != nil {
			t.Fatal(err)
		}
		defer w.Close()
		return w.EncodeAll(data, nil)
	}
	for name, data := range map[string][]byte{
		"pcap records of 4 GB":           append(pcapHead, bytes.Repeat(u32(nil, 0, 0, 0xFFFFFFFF, 0xFFFFFFFF), 20_000)...),
		"pcap records of 2 GB":           append(pcapHead, bytes.Repeat(u32(nil, 0, 0, 0x7FFFFFFF, 0x7FFFFFFF), 20_000)...),
		"pcapng blocks of 4 GB":          append(section, bytes.Repeat(u32(nil, blockPacket, 0xFFFFFFFC), 40_000)...),
		"pcapng section of 4 GB":         u32(nil, blockSection, 0xFFFFFFFC, 0x1A2B3C4D, 1, 0, 0, 28),
		"pcapng with many sections":      bytes.Repeat(section, 40_000),
		"pcapng with many interfaces":    append(section, bytes.Repeat(device, 60_000)...),
		"a line without an end":          []byte(line + "(1.0) can0 " + strings.Repeat("0", 8<<20)),
		"many networks":                  []byte(numbered("(1.0) can%d 09F11223#0102030405060708\n", 40_000)),
		"many lines that are none":       []byte(line + strings.Repeat("x\n", 1<<20)),
		"a sentence without an end":      []byte("$GPRMC,,V,,,,,,,,,,N*53\r\n$GPRMC" + strings.Repeat(",", 4<<20)),
		"tag blocks without an end":      []byte(strings.Repeat(`\c:1`, 1<<20)),
		"gzip of lines":                  gzipped([]byte(strings.Repeat(line, 200_000))),
		"gzip of zeros":                  gzipped(zeros),
		"gzip of gzip of gzip of gzip":   gzipped(gzipped(gzipped(gzipped([]byte(line))))),
		"zstd of zeros":                  zipped(zeros),
		"zstd with a window of 128 MB":   append(u32(nil, 0xFD2FB528), 0, 0x88, 0x03, 0, 0, 'x'),
		"zstd with a window of 4 GB":     append(u32(nil, 0xFD2FB528), 0, 0xB0, 0x03, 0, 0, 'x'),
		"zstd in frames that say no end": bytes.Repeat(append(u32(nil, 0xFD2FB528), 0, 0x68, 0x02, 0, 0, 'x'), 20_000),
	} {
		t.Run(name, func(t *testing.T) {
			inputtest.Try(t, string(data), false, func(text []byte) error {
				r, err := NewReader(bytes.NewReader(text))
				if err != nil {
					return err
				}
				defer r.Close()
				events := make([]event.Event, 256)
				for {
					if _, err := r.Read(events); errors.Is(err, io.EOF) {
						return nil
					} else if err != nil {
						return err
					}
				}
			})
		})
	}
}

// numbered repeats a line with the numbers from 0 in it.
func numbered(line string, n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, line, i)
	}
	return b.String()
}
