package pgn

import (
	"encoding/binary"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// sanitize turns foreign text into UTF-8 that is safe to show: anything outside 20 to 7E hex of an 8-bit text is written \xNN,
// anything in a UTF-16 text that does not print \uNNNN.
func sanitize(p []byte, kind byte) string {
	if kind == textUTF16 {
		return sanitizeUTF16(p)
	}
	for i, b := range p {
		if b < 0x20 || b > 0x7E {
			var s strings.Builder
			s.Write(p[:i])
			for _, b := range p[i:] {
				if b < 0x20 || b > 0x7E {
					fmt.Fprintf(&s, `\x%02X`, b)
				} else {
					s.WriteByte(b)
				}
			}
			return s.String()
		}
	}
	return string(p)
}

func sanitizeUTF16(p []byte) string {
	var s strings.Builder
	for len(p) >= 2 {
		r := rune(binary.LittleEndian.Uint16(p))
		p = p[2:]
		if utf16.IsSurrogate(r) && len(p) >= 2 {
			if both := utf16.DecodeRune(r, rune(binary.LittleEndian.Uint16(p))); both != utf8.RuneError {
				r, p = both, p[2:]
			}
		}
		if unicode.IsPrint(r) {
			s.WriteRune(r)
		} else {
			fmt.Fprintf(&s, `\u%04X`, r)
		}
	}
	return s.String()
}

// appendString adds a variable string: length with its two bytes of header, type, text. Text beyond ASCII goes out as
// UTF-16.
func appendString(dst []byte, s string) ([]byte, error) {
	ascii := true
	for i := range len(s) {
		if s[i] < 0x20 || s[i] > 0x7E {
			ascii = false
		}
	}
	at := len(dst)
	if ascii {
		dst = append(append(dst, 0, textASCII), s...)
	} else {
		dst = append(dst, 0, textUTF16)
		for _, r := range s {
			if r1, r2 := utf16.EncodeRune(r); r1 != utf8.RuneError {
				dst = binary.LittleEndian.AppendUint16(dst, uint16(r1))
				r = r2
			}
			dst = binary.LittleEndian.AppendUint16(dst, uint16(r))
		}
	}
	if n := len(dst) - at; n <= 255 {
		dst[at] = byte(n)
		return dst, nil
	}
	return dst[:at], fmt.Errorf("text of %d bytes does not fit a variable string (253)", len(dst)-at-2)
}

// appendText adds fixed width text, filled with FF.
func appendText(dst []byte, s string, width int) ([]byte, error) {
	if len(s) > width {
		return dst, fmt.Errorf("text of %d bytes does not fit into %d", len(s), width)
	}
	for i := range len(s) {
		if s[i] < 0x20 || s[i] > 0x7E || s[i] == '@' {
			return dst, fmt.Errorf("text %q holds something else than plain ASCII", s)
		}
	}
	dst = append(dst, s...)
	return append(dst, filling[:width-len(s)]...), nil
}
