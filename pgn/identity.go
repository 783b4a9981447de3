package pgn

import (
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
	"time"
)

// The PGNs that have a type here.
const (
	PGNAcknowledgment   = 59392
	PGNRequest          = 59904
	PGNAddressClaim     = 60928
	PGNCommandedAddress = 65240
	PGNGroupFunction    = 126208
	PGNPGNList          = 126464
	PGNSystemTime       = 126992
	PGNHeartbeat        = 126993
	PGNProduct          = 126996
	PGNConfiguration    = 126998
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

// Get returns the value and whether there is one.
func (o Optional[T]) Get() (v T, ok bool) { return o.Value, o.OK }

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

func get24(p []byte) uint32 { return uint32(p[0]) | uint32(p[1])<<8 | uint32(p[2])<<16 }

func append24(dst []byte, n uint32) []byte { return append(dst, byte(n), byte(n>>8), byte(n>>16)) }

// ISORequest asks for a message (59904, SAE J1939-21).
type ISORequest struct {
	PGN uint32 // 18 bits
}

// Decode reads a payload; 3 bytes are enough, some senders fill up to 8.
func (m *ISORequest) Decode(p []byte) error {
	*m = ISORequest{}
	if len(p) < 3 {
		return short("ISO request", p, 3)
	}
	m.PGN = get24(p)
	return nil
}

// Append adds the 3 bytes of the payload.
func (m *ISORequest) Append(dst []byte) []byte { return append24(dst, m.PGN) }

// The control bytes of an ISO acknowledgment.
const (
	AckPositive uint8 = 0
	AckNegative uint8 = 1 // not supported
	AckDenied   uint8 = 2
	AckBusy     uint8 = 3
)

// ISOAcknowledgment answers a request or a command (59392, SAE J1939-21).
type ISOAcknowledgment struct {
	Control       uint8  // AckPositive to AckBusy
	GroupFunction uint8  // 255 when it does not apply
	Address       uint8  // the address that is answered in later editions (from memory), otherwise 255
	PGN           uint32 // the message that was asked for
}

// Decode reads a payload of 8 bytes.
func (m *ISOAcknowledgment) Decode(p []byte) error {
	*m = ISOAcknowledgment{}
	if len(p) < 8 {
		return short("ISO acknowledgment", p, 8)
	}
	*m = ISOAcknowledgment{Control: p[0], GroupFunction: p[1], Address: p[4], PGN: get24(p[5:])}
	return nil
}

// Append adds the 8 bytes of the payload.
func (m *ISOAcknowledgment) Append(dst []byte) []byte {
	return append24(append(dst, m.Control, m.GroupFunction, 0xFF, 0xFF, m.Address), m.PGN)
}

// AddressClaim says who uses the address it comes from; from Null it says that somebody could not get one (60928, SAE J1939-81).
type AddressClaim struct {
	NAME NAME
}

// Decode reads a payload of 8 bytes.
func (m *AddressClaim) Decode(p []byte) error {
	n, ok := DecodeNAME(p)
	m.NAME = n
	if !ok {
		return short("address claim", p, 8)
	}
	return nil
}

// Append adds the 8 bytes of the payload.
func (m *AddressClaim) Append(dst []byte) []byte { return m.NAME.Append(dst) }

// CommandedAddress tells a device to use another address (65240, SAE J1939-81). It travels by ISO transport.
type CommandedAddress struct {
	NAME    NAME
	Address uint8 // 0 to MaxAddr
}

// Decode reads a payload of 9 bytes.
func (m *CommandedAddress) Decode(p []byte) error {
	*m = CommandedAddress{}
	if len(p) < 9 {
		return short("commanded address", p, 9)
	}
	m.NAME, _ = DecodeNAME(p)
	m.Address = p[8]
	return nil
}

// Append adds the 9 bytes of the payload.
func (m *CommandedAddress) Append(dst []byte) []byte { return append(m.NAME.Append(dst), m.Address) }

// ProductInformation says what a device is (126996). The texts are safe to show: what does not print is escaped.
type ProductInformation struct {
	DatabaseVersion    Optional[uint16] // of the NMEA 2000 message set, in thousandths: 2100 is 2.100
	ProductCode        Optional[uint16] // unique only together with the maker
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

// Append adds the payload. Each text is cut to 70 characters, so that the three fit (limit from a maker's manual).
func (m *ConfigurationInformation) Append(dst []byte) []byte {
	for _, s := range [...]string{m.Installation1, m.Installation2, m.Manufacturer} {
		dst = appendCut(dst, s)
	}
	return dst
}

// appendCut adds a variable string of at most 70 bytes.
func appendCut(dst []byte, s string) []byte {
	for {
		out, err := appendString(dst, s)
		if err == nil && len(out)-len(dst) <= 72 {
			return out
		}
		r := []rune(s)
		s = string(r[:len(r)-1])
	}
}

// PGNList lists what a device transmits or receives (126464).
type PGNList struct {
	Receive bool
	PGNs    []uint32
}

// Decode reads a payload. The slice is reused.
func (m *PGNList) Decode(p []byte) error {
	*m = PGNList{PGNs: m.PGNs[:0]}
	if len(p) < 1 {
		return short("PGN list", p, 1)
	}
	if p[0] > 1 {
		return fmt.Errorf("pgn: decode PGN list: function code %d is neither 0 (transmit) nor 1 (receive)", p[0])
	}
	m.Receive = p[0] == 1
	for p = p[1:]; len(p) >= 3; p = p[3:] {
		if n := get24(p); n < 1<<18 { // the rest is filling
			m.PGNs = append(m.PGNs, n)
		}
	}
	return nil
}

// Append adds the payload; a fast packet has room for 74 PGNs, more are left out.
func (m *PGNList) Append(dst []byte) []byte {
	code := byte(0)
	if m.Receive {
		code = 1
	}
	dst = append(dst, code)
	for _, n := range m.PGNs[:min(len(m.PGNs), 74)] {
		dst = append24(dst, n)
	}
	return dst
}

// Heartbeat shows that a device lives (126993).
type Heartbeat struct {
	Interval Optional[uint16] // as sent; the sources disagree on the unit: 60000 at a pace of 60 s means 1 ms, 6000 means 10 ms
	Sequence Optional[uint8]  // 0 to 252; not available in an answer to a request
	State    uint8            // 2-bit states of controller and equipment in newer editions (from memory); older ones send 255
}

// Decode reads a payload of 8 bytes, of which it needs 3.
func (m *Heartbeat) Decode(p []byte) error {
	*m = Heartbeat{State: 0xFF}
	if len(p) < 3 {
		return short("heartbeat", p, 8)
	}
	m.Interval, m.Sequence = optional16(p, 0), optional8(p, 2)
	if len(p) > 3 {
		m.State = p[3]
	}
	return nil
}

// Append adds the 8 bytes of the payload.
func (m *Heartbeat) Append(dst []byte) []byte {
	return append(append8(append16(dst, m.Interval), m.Sequence), m.State, 0xFF, 0xFF, 0xFF, 0xFF)
}

// SystemTime is date and time as a device sees it (126992).
type SystemTime struct {
	SID    Optional[uint8]
	Source Optional[uint8] // table "time_source"
	Time   Optional[time.Time]
}

// Decode reads a payload of 8 bytes. The time is there only if date and time of day both are.
func (m *SystemTime) Decode(p []byte) error {
	*m = SystemTime{}
	if len(p) < 8 {
		return short("system time", p, 8)
	}
	m.SID = optional8(p, 0)
	if s := p[1] & 15; s < 14 {
		m.Source = Some(s)
	}
	date, day := optional16(p, 2), binary.LittleEndian.Uint32(p[4:])
	if date.OK && day < 86402*10000 { // a leap second may give 86400.x
		m.Time = Some(time.Unix(int64(date.Value)*86400, int64(day)*100_000).UTC())
	}
	return nil
}

// Append adds the 8 bytes of the payload. Dates run from 1970 to 2149; a time outside is sent as not available.
func (m *SystemTime) Append(dst []byte) []byte {
	source := byte(0xFF)
	if m.Source.OK {
		source = 0xF0 | m.Source.Value&15
	}
	dst = append(append8(dst, m.SID), source)
	day, tick := uint16(0xFFFF), uint32(0xFFFFFFFF)
	if s := m.Time.Value.Unix(); m.Time.OK && s >= 0 && s < 0xFFFD*86400 {
		day = uint16(s / 86400)
		tick = uint32(s%86400)*10000 + uint32(m.Time.Value.Nanosecond()/100_000)
	}
	return binary.LittleEndian.AppendUint32(binary.LittleEndian.AppendUint16(dst, day), tick)
}
