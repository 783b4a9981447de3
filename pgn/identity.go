package pgn

import (
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
)

// The PGNs that have a type here.
const (
	PGNProduct       = 126996
	PGNConfiguration = 126998
)

// ErrShort is the error, wrapped, of a payload that is too short to mean anything.
var ErrShort = errors.New("payload too short")

func short(what string, p []byte, want int) error {
	return fmt.Errorf("pgn: decode %s: %d bytes, want %d: %w", what, len(p), want, ErrShort)
}

// Optional is a value that may be "not available", which is never zero.
type Optional[T any] struct {
	Value T
	OK    bool
}

// Some is an Optional that holds v.
func Some[T any](v T) Optional[T] { return Optional[T]{v, true} }

// optional8 and optional16 read a number whose three highest codes are not values; optional8 of a missing byte is empty.
func optional8(p []byte, at int) Optional[uint8] {
	if at >= len(p) || p[at] > 0xFC {
		return Optional[uint8]{}
	}
	return Some(p[at])
}

func optional16(p []byte, at int) Optional[uint16] {
	if at+2 > len(p) {
		return Optional[uint16]{}
	}
	n := binary.LittleEndian.Uint16(p[at:])
	if n > 0xFFFC {
		return Optional[uint16]{}
	}
	return Some(n)
}

func append8(dst []byte, o Optional[uint8]) []byte {
	if !o.OK {
		return append(dst, 0xFF)
	}
	return append(dst, o.Value)
}

func append16(dst []byte, o Optional[uint16]) []byte {
	if !o.OK {
		return append(dst, 0xFF, 0xFF)
	}
	return binary.LittleEndian.AppendUint16(dst, o.Value)
}

// ProductInformation describes a device (126996). The texts are safe to show: what does not print is escaped.
type ProductInformation struct {
	DatabaseVersion    Optional[uint16] // of the NMEA 2000 message set, in thousandths: 2100 is 2.100
	ProductCode        Optional[uint16] // unique only together with the manufacturer
	Model              string           // at most 32 ASCII characters, like the next three
	SoftwareVersion    string
	ModelVersion       string
	Serial             string
	CertificationLevel Optional[uint8] // 0 is level A, 1 level B (from memory)
	LoadEquivalency    Optional[uint8] // units of 50 mA
}

// productLength is the payload of 126996 in bytes.
const productLength = 134

// Decode reads a payload of 134 bytes; a shorter one leaves the last fields empty.
func (m *ProductInformation) Decode(p []byte) error {
	*m = ProductInformation{}
	if len(p) < 4+32 {
		return short("product information", p, productLength)
	}
	m.DatabaseVersion, m.ProductCode = optional16(p, 0), optional16(p, 2)
	m.Model, m.SoftwareVersion = textAt(p, 4), textAt(p, 36)
	m.ModelVersion, m.Serial = textAt(p, 68), textAt(p, 100)
	m.CertificationLevel, m.LoadEquivalency = optional8(p, 132), optional8(p, 133)
	return nil
}

// Append adds the 134 bytes of the payload. Texts are cut to 32 characters, and what is not plain ASCII becomes "?".
func (m *ProductInformation) Append(dst []byte) []byte {
	dst = append16(append16(dst, m.DatabaseVersion), m.ProductCode)
	for _, s := range [...]string{m.Model, m.SoftwareVersion, m.ModelVersion, m.Serial} {
		dst, _ = appendText(dst, plain(s, 32), 32)
	}
	return append8(append8(dst, m.CertificationLevel), m.LoadEquivalency)
}

func textAt(p []byte, at int) string {
	if at+32 > len(p) {
		return ""
	}
	var v Value
	v.setText(p[at : at+32])
	return sanitize(v.Text, textASCII)
}

// plain makes s fit for fixed width text.
func plain(s string, width int) string {
	for i := range len(s) {
		if s[i] < 0x20 || s[i] > 0x7E || s[i] == '@' {
			b := make([]byte, 0, width)
			for _, r := range s {
				if r < 0x20 || r > 0x7E || r == '@' {
					r = '?'
				}
				b = append(b, byte(r))
			}
			s = string(b)
			break
		}
	}
	return strings.TrimRight(s[:min(len(s), width)], " ") // trailing spaces count as filling
}

// ConfigurationInformation holds what the installer wrote into a device (126998). The texts are safe to show.
type ConfigurationInformation struct {
	Installation1 string // writable by a command
	Installation2 string // writable by a command
	Manufacturer  string
}

// Decode reads a payload. Strings that are left out at the end are empty.
func (m *ConfigurationInformation) Decode(p []byte) error {
	*m = ConfigurationInformation{}
	c := cursor{d: Lookup(PGNConfiguration), p: p}
	var v Value
	for _, s := range [...]*string{&m.Installation1, &m.Installation2, &m.Manufacturer} {
		c.next(&v)
		*s = v.Str()
	}
	return c.err
}

// Append adds the payload. Each text is cut to 70 characters, so that the three fit (limit from a manufacturer's manual).
func (m *ConfigurationInformation) Append(dst []byte) []byte {
	for _, s := range [...]string{m.Installation1, m.Installation2, m.Manufacturer} {
		dst = appendCut(dst, s)
	}
	return dst
}

// appendCut adds a variable string of at most 70 bytes.
func appendCut(dst []byte, s string) []byte {
	for {
		s = strings.TrimRight(s, " ") // trailing spaces count as filling
		out, err := appendString(dst, s)
		if err == nil && len(out)-len(dst) <= 72 {
			return out
		}
		r := []rune(s)
		s = string(r[:len(r)-1])
	}
}
