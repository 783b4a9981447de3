package capture

import (
	"bytes"
	"strings"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
)

// Identifier bits as SocketCAN lays them (linux/can.h).
const (
	flagExtended = 0x80000000
	flagRemote   = 0x40000000
	flagError    = 0x20000000
)

// parsed is the content of one line. name and line alias the line.
type parsed struct {
	time  event.Time
	name  []byte // empty: the line names no interface
	line  []byte
	frame can.Frame
	count uint32
	kind  event.Kind
	sent  bool
}

func (p *parsed) network() event.NetworkKind {
	if p.kind == event.KindLine {
		return event.NMEA0183
	}
	return event.NMEA2000
}

// parseLine reads one line of any text format. With sentence every line without a prefix is a raw NMEA 0183 line.
func parseLine(line []byte, sentence bool, p *parsed) Reason {
	*p = parsed{}
	line = bytes.TrimRight(line, "\r\n")
	if len(bytes.TrimSpace(line)) == 0 || isComment(line) {
		return reasonSkip
	}
	if rest, ok := bytes.CutPrefix(line, []byte("DROPCOUNT:")); ok {
		return parseDropCount(rest, p)
	}
	if isSentenceStart(line[0]) {
		p.kind, p.line, p.time = event.KindLine, line, tagTime(line)
		return reasonNone
	}
	trimmed := bytes.TrimLeft(line, " ")
	if trimmed[0] == '(' {
		i := bytes.IndexByte(trimmed, ')')
		if i < 0 {
			return ReasonTime
		}
		t, ok := parseParen(trimmed[1:i])
		if !ok {
			return ReasonTime
		}
		p.time = t
		return parseBody(trimmed[i+1:], true, p)
	}
	if t, n, ok := parsePrefix(trimmed); ok {
		if rest := trimmed[n:]; len(rest) > 0 && isSentenceStart(rest[0]) {
			p.kind, p.line, p.time = event.KindLine, rest, t
			return reasonNone
		}
	}
	if sentence {
		p.kind, p.line = event.KindLine, line
		return reasonNone
	}
	return parseBody(trimmed, false, p)
}

// remarks are what recording tools write between the records of their files (can-utils).
var remarks = [...]string{"Enabling Logfile ", "Disabled standard output while logging", "Warning: Console output active while logging", "interface = "}

// isComment reports whether the line is no record: a comment of a person, or a remark of a recording tool.
func isComment(line []byte) bool {
	line = bytes.TrimLeft(line, " \t")
	if line[0] == '#' {
		return true
	}
	for _, r := range remarks {
		if len(line) >= len(r) && strings.EqualFold(string(line[:len(r)]), r) {
			return true
		}
	}
	return false
}

func isSentenceStart(c byte) bool { return c == '$' || c == '!' || c == '\\' }

// token cuts the next word off.
func token(s []byte) (word, rest []byte) {
	s = bytes.TrimLeft(s, " \t")
	if i := bytes.IndexAny(s, " \t"); i >= 0 {
		return s[:i], s[i:]
	}
	return s, nil
}

// parseBody reads what follows the time: "can0 09F80102#…", "can0  09F80102   [8]  36 …", "ttyUSB0 $GPRMC,…" or a
// bare sentence.
func parseBody(s []byte, stamped bool, p *parsed) Reason {
	name, rest := token(s)
	if len(name) == 0 {
		return ReasonForeign
	}
	if isSentenceStart(name[0]) {
		p.kind, p.line = event.KindLine, bytes.TrimLeft(s, " \t")
		return reasonNone
	}
	body := bytes.TrimLeft(rest, " \t")
	if len(body) == 0 {
		return ReasonForeign
	}
	if isSentenceStart(body[0]) {
		if !goodName(name) {
			return ReasonInterface
		}
		p.kind, p.line, p.name = event.KindLine, body, name
		if own, ok := bytes.CutSuffix(body, []byte(" T")); ok && stamped && len(own) > 3 && own[len(own)-3] == '*' {
			p.line, p.sent = own, true // a query of ours, marked as a sent frame is
		}
		return reasonNone
	}
	word, rest := token(rest)
	if i := bytes.IndexByte(word, '#'); i >= 0 {
		if !goodName(name) {
			return ReasonInterface
		}
		p.name = name
		return parseLog(word, i, rest, p)
	}
	if word[0] == '*' && stamped && goodName(name) { // our own mark for a 0183 line that starts like no sentence
		p.kind, p.line, p.name = event.KindLine, body[1:], name
		return reasonNone
	}
	return parseColumns(name, word, rest, p)
}

func goodName(name []byte) bool {
	if len(name) > maxInterface {
		return false
	}
	for _, c := range name {
		if c <= ' ' || c > '~' {
			return false
		}
	}
	return true
}

// parseID reads 3 digits (11-bit) or 8 digits (29-bit, or an error frame when bit 29 is set).
func parseID(s []byte, p *parsed) Reason {
	id, ok := parseHex(s)
	switch {
	case !ok || len(s) != 3 && len(s) != 8:
		return ReasonID
	case len(s) == 3:
		if id > can.MaxID {
			return ReasonID
		}
	case id&flagError != 0 && id&(flagExtended|flagRemote) == 0:
		p.kind = event.KindErrorFrame
		p.frame.ID = id &^ flagError
		return reasonNone
	case id > can.MaxExtendedID:
		return ReasonID
	default:
		p.frame.IsExtended = true
	}
	p.kind, p.frame.ID = event.KindFrame, id
	return reasonNone
}

// parseLog reads "ID#DATA" with its variants; hash is the index of the first '#', rest what follows the word.
func parseLog(word []byte, hash int, rest []byte, p *parsed) Reason {
	switch dir, more := token(rest); {
	case len(bytes.TrimSpace(more)) > 0:
		return ReasonForeign
	case len(dir) == 0, string(dir) == "R":
	case string(dir) == "T":
		p.sent = true
	default:
		return ReasonForeign
	}
	data := word[hash+1:]
	if len(data) > 0 && data[0] == '#' || bytes.IndexByte(data, '#') >= 0 {
		// CAN FD ("##" and a flags digit) or XL (a second '#'): not for NMEA 2000, only counted.
		p.kind, p.count = event.KindOversize, 1
		return reasonNone
	}
	if r := parseID(word[:hash], p); r != reasonNone {
		return r
	}
	if len(data) > 0 && (data[0] == 'R' || data[0] == 'r') {
		if p.kind != event.KindFrame || len(data) > 2 && data[2] != '_' {
			return ReasonData
		}
		p.frame.IsRemote = true
		if len(data) > 1 {
			if data[1] < '0' || data[1] > '8' {
				return ReasonLength
			}
			p.frame.Length = data[1] - '0'
		}
		return reasonNone
	}
	n := 0
	for len(data) > 0 {
		switch {
		case data[0] == '.':
			data = data[1:]
			continue
		case data[0] == '_': // raw DLC 9…F behind eight bytes
			if n != 8 || len(data) != 2 {
				return ReasonData
			}
			data = nil
			continue
		case len(data) < 2 || nibble[data[0]] > 15 || nibble[data[1]] > 15:
			return ReasonData
		case n == 8:
			return ReasonLength
		}
		p.frame.Data[n] = nibble[data[0]]<<4 | nibble[data[1]]
		n++
		data = data[2:]
	}
	p.frame.Length = uint8(n)
	return reasonNone
}

// parseColumns reads the human form: name, maybe "RX - -", id, "[n]", bytes.
func parseColumns(name, word, rest []byte, p *parsed) Reason {
	if string(word) == "RX" || string(word) == "TX" {
		p.sent = word[0] == 'T'
		word, rest = token(rest)
		for range 2 { // two marks: bit rate switch, error state
			if len(word) == 1 && (word[0] == '-' || word[0] == 'B' || word[0] == 'E') {
				word, rest = token(rest)
			}
		}
	}
	brackets, rest := token(rest)
	if len(brackets) < 3 || (brackets[0] != '[' || brackets[len(brackets)-1] != ']') &&
		(brackets[0] != '{' || brackets[len(brackets)-1] != '}') {
		return ReasonForeign
	}
	if !goodName(name) {
		return ReasonInterface
	}
	p.name = name
	length, ok := parseHex(brackets[1 : len(brackets)-1])
	if !ok {
		return ReasonLength
	}
	if len(brackets) > 3 { // [03] is CAN FD, [0003] XL
		p.kind, p.count = event.KindOversize, 1
		return reasonNone
	}
	if brackets[0] == '{' && length > 8 {
		length = 8
	}
	if r := parseID(word, p); r != reasonNone {
		return r
	}
	if length > 8 {
		return ReasonLength
	}
	p.frame.Length = uint8(length)
	if bytes.HasPrefix(bytes.TrimLeft(rest, " "), []byte("remote")) {
		p.frame.IsRemote = true
		return reasonNone
	}
	if i := bytes.IndexByte(rest, '`'); i >= 0 { // byte order turned round
		return parseSwapped(rest, p)
	}
	for n := range int(length) {
		var b []byte
		b, rest = token(rest)
		if len(b) != 2 || nibble[b[0]] > 15 || nibble[b[1]] > 15 {
			return ReasonData
		}
		p.frame.Data[n] = nibble[b[0]]<<4 | nibble[b[1]]
	}
	return reasonNone
}

func parseSwapped(rest []byte, p *parsed) Reason {
	word, _ := token(rest)
	for n := int(p.frame.Length) - 1; n >= 0; n-- {
		if len(word) < 2 || nibble[word[0]] > 15 || nibble[word[1]] > 15 {
			return ReasonData
		}
		p.frame.Data[n] = nibble[word[0]]<<4 | nibble[word[1]]
		if word = word[2:]; len(word) > 0 && word[0] == '`' {
			word = word[1:]
		}
	}
	return reasonNone
}

// parseDropCount reads candump's loss line: " dropped 3 CAN frames on 'can0' socket (total drops 7)".
func parseDropCount(s []byte, p *parsed) Reason {
	p.kind = event.KindDropped
	for len(s) > 0 && (s[0] < '0' || s[0] > '9') {
		s = s[1:]
	}
	v, n, ok := digits(s, 10)
	if !ok || n == 0 || v == 0 || v > 1<<32-1 {
		return ReasonForeign
	}
	p.count = uint32(v)
	if _, after, ok := bytes.Cut(s, []byte("'")); ok {
		if name, _, ok := bytes.Cut(after, []byte("'")); ok && len(name) > 0 && goodName(name) {
			p.name = name
		}
	}
	return reasonNone
}

const noNibble = 0xFF

// nibble is the value of a hex digit; anything above 15 is none.
var nibble = func() (t [256]uint8) {
	for i := range t {
		t[i] = noNibble
	}
	for i := range 10 {
		t['0'+i] = uint8(i)
	}
	for i := range 6 {
		t['a'+i], t['A'+i] = uint8(10+i), uint8(10+i)
	}
	return t
}()

func parseHex(s []byte) (uint32, bool) {
	if len(s) == 0 || len(s) > 8 {
		return 0, false
	}
	v := uint32(0)
	for _, c := range s {
		d := nibble[c]
		if d > 15 {
			return 0, false
		}
		v = v<<4 | uint32(d)
	}
	return v, true
}

// digits reads up to limit decimal digits; ok is false when more follow.
func digits(s []byte, limit int) (v uint64, n int, ok bool) {
	for n < len(s) && s[n]-'0' <= 9 {
		if n == limit {
			return 0, n, false
		}
		v = v*10 + uint64(s[n]-'0')
		n++
	}
	return v, n, true
}

// fraction reads the digits behind the point as nanoseconds; digits beyond the ninth are cut off.
func fraction(s []byte) (ns uint64, n int) {
	scale := uint64(100_000_000)
	for n < len(s) && s[n]-'0' <= 9 {
		ns += uint64(s[n]-'0') * scale
		scale /= 10
		n++
	}
	return ns, n
}

// minEpoch is the smallest number of second digits that is a time of day; fewer is a span since the start or the
// previous line, which gives no date or time of day.
const minEpoch = 9

// parseParen reads the inside of the parentheses: seconds since 1970 with decimals, or a date and time taken as UTC. A span
// gives the unset time.
func parseParen(s []byte) (event.Time, bool) {
	if len(s) > 19 && s[4] == '-' {
		t, n, ok := parseDate(s)
		return t, ok && n == len(s)
	}
	t, n, ok := parseEpoch(s)
	return t, ok && n == len(s)
}

func parseEpoch(s []byte) (event.Time, int, bool) {
	sec, n, ok := digits(s, 10)
	if !ok || n == 0 {
		return 0, 0, false
	}
	i := n
	var ns uint64
	if i < len(s) && s[i] == '.' {
		f, m := fraction(s[i+1:])
		if m == 0 {
			return 0, 0, false
		}
		ns, i = f, i+1+m
	}
	if n < minEpoch || sec > 9_223_372_035 {
		return 0, i, n < minEpoch
	}
	return event.Time(sec*1e9 + ns), i, true
}

// parseDate reads "2023-11-14T22:13:20.123Z" with a blank for the T, any number of decimals, and an offset if there is one.
func parseDate(s []byte) (event.Time, int, bool) {
	if len(s) < 19 || s[4] != '-' || s[7] != '-' || s[10] != 'T' && s[10] != ' ' || s[13] != ':' || s[16] != ':' {
		return 0, 0, false
	}
	var v [6]int
	for i, at := range [6]int{0, 5, 8, 11, 14, 17} {
		width := 2
		if i == 0 {
			width = 4
		}
		d, n, ok := digits(s[at:at+width], width)
		if !ok || n != width {
			return 0, 0, false
		}
		v[i] = int(d)
	}
	if v[0] < 1970 || v[0] > 2261 || v[1] < 1 || v[1] > 12 || v[2] < 1 || v[2] > 31 || v[3] > 23 ||
		v[4] > 59 || v[5] > 60 {
		return 0, 0, false
	}
	i := 19
	ns := uint64(0)
	if i+1 < len(s) && s[i] == '.' {
		f, n := fraction(s[i+1:])
		if n == 0 {
			return 0, 0, false
		}
		ns, i = f, i+1+n
	}
	t := event.At(time.Date(v[0], time.Month(v[1]), v[2], v[3], v[4], v[5], int(ns), time.UTC))
	switch {
	case i < len(s) && s[i] == 'Z':
		i++
	case i+5 < len(s) && (s[i] == '+' || s[i] == '-') && s[i+3] == ':':
		h, n, _ := digits(s[i+1:i+3], 2)
		m, k, _ := digits(s[i+4:i+6], 2)
		if n != 2 || k != 2 || h > 23 || m > 59 {
			return 0, 0, false
		}
		off := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute
		if s[i] == '+' {
			off = -off
		}
		t = t.Add(off)
		i += 6
	}
	return t, i, true
}

// parsePrefix reads a time in front of a sentence and the blanks, comma or colon behind it.
func parsePrefix(s []byte) (event.Time, int, bool) {
	open := 0
	if len(s) > 0 && s[0] == '[' {
		open = 1
	}
	t, n, ok := parseDate(s[open:])
	if !ok {
		if t, n, ok = parseEpoch(s[open:]); !ok || t == 0 && open == 0 {
			return 0, 0, false
		}
	}
	n += open
	if open == 1 {
		if n >= len(s) || s[n] != ']' {
			return 0, 0, false
		}
		n++
	}
	for n < len(s) && (s[n] == ' ' || s[n] == '\t' || s[n] == ',' || s[n] == ';' || s[n] == ':') {
		n++
	}
	return t, n, true
}

// tagTime finds the "c:" of a tag block: UNIX time in seconds, or in milliseconds when it has more than 11 digits.
func tagTime(line []byte) event.Time {
	if line[0] != '\\' {
		return 0
	}
	block, _, ok := bytes.Cut(line[1:], []byte(`\`))
	if !ok {
		return 0
	}
	block, sum, ok := bytes.Cut(block, []byte("*"))
	if want, good := parseHex(sum); !ok || !good || len(sum) != 2 || byte(want) != xor(block) {
		return 0
	}
	for len(block) > 0 {
		var field []byte
		field, block, _ = bytes.Cut(block, []byte(","))
		if value, ok := bytes.CutPrefix(field, []byte("c:")); ok {
			v, n, ok := digits(value, 13)
			switch {
			case !ok || n != len(value) || n < minEpoch:
			case n > 11:
				return event.Time(v * 1e6)
			case v < 9_223_372_036:
				return event.Time(v * 1e9)
			}
		}
	}
	return 0
}

func xor(s []byte) (x byte) {
	for _, c := range s {
		x ^= c
	}
	return x
}
