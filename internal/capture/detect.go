package capture

import (
	"bytes"
	"errors"

	"github.com/klauspost/compress/zstd"

	"muster/internal/event"
)

// Packings, found by content like the formats but never handed out.
const (
	packedGzip Format = 0xF0 + iota
	packedZstd
)

// magics are the first four bytes of the binary formats (RFC 1952, RFC 8878, tcpdump.org file format pages).
var magics = []struct {
	bytes  string
	format Format
}{
	{"\x1f\x8b", packedGzip},
	{"\x28\xb5\x2f\xfd", packedZstd},
	{"\xa1\xb2\xc3\xd4", FormatPcap},
	{"\xd4\xc3\xb2\xa1", FormatPcap},
	{"\xa1\xb2\x3c\x4d", FormatPcap},
	{"\x4d\x3c\xb2\xa1", FormatPcap},
	{"\x0a\x0d\x0d\x0a", FormatPcapng},
}

// detect fills w as far as it needs to find the format, and returns it.
func detect(w *window) (Format, error) {
	w.need(4)
	head := w.rest()
	switch {
	case len(head) > 0:
	case errors.Is(w.err, zstd.ErrWindowSizeExceeded), errors.Is(w.err, zstd.ErrDecoderSizeExceeded):
		return FormatUnknown, ErrWindow
	default:
		return FormatUnknown, ErrEmpty
	}
	for _, m := range magics {
		if bytes.HasPrefix(head, []byte(m.bytes)) {
			return m.format, nil
		}
	}
	for {
		head = w.rest()
		if f := textFormat(head, false); f != FormatUnknown {
			return f, nil
		}
		if len(head) >= headSize || !w.fill() {
			return textFormat(w.rest(), true), errIfUnknown(textFormat(w.rest(), true))
		}
	}
}

func errIfUnknown(f Format) error {
	if f == FormatUnknown {
		return ErrUnknownFormat
	}
	return nil
}

// textFormat gives the format that most of the whole lines of head have; with all also of the last, unfinished one.
func textFormat(head []byte, all bool) Format {
	var votes [formatCount]int
	for line := range bytes.Lines(head[:min(len(head), headSize)]) {
		if len(line) > maxLine || !all && line[len(line)-1] != '\n' {
			continue
		}
		var p parsed
		if parseLine(line, false, &p) != reasonNone {
			continue
		}
		switch {
		case p.kind == event.KindLine:
			if len(p.name) > 0 || likeSentence(p.line) {
				votes[FormatNMEA0183]++
			}
		case p.kind == event.KindDropped:
		case bytes.IndexByte(line, '#') >= 0:
			votes[FormatCandump]++
		default:
			votes[FormatCandumpHuman]++
		}
	}
	best := FormatUnknown
	for f, n := range votes {
		if n > votes[best] {
			best = Format(f)
		}
	}
	if best == FormatNMEA0183 && votes[FormatCandump]+votes[FormatCandumpHuman] > 0 {
		return FormatCandump // frames among the lines: nothing without a prefix can be taken for a raw line
	}
	return best
}

// likeSentence reports whether a line that no logger named a port for begins as a sentence does, behind its tag block if it has one:
// other files have lines that begin with $ or ! too.
func likeSentence(line []byte) bool {
	if line[0] == '\\' {
		i := bytes.IndexByte(line[1:], '\\')
		if i < 0 || len(line) == i+2 {
			return false
		}
		line = line[i+2:]
	}
	word := line[1:]
	if i := bytes.IndexAny(word, ",*"); i >= 0 {
		word = word[:i]
	} else {
		return false
	}
	for _, c := range word {
		if (c < 'A' || c > 'Z') && (c < '0' || c > '9') {
			return false
		}
	}
	return len(word) >= 3 && (line[0] == '$' || line[0] == '!')
}
