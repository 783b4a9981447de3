package nmea0183

import "bytes"

// Limits of what is taken for a sentence.
const (
	// StandardLength is the most characters that a sentence may have from its start character to the line feed.
	StandardLength = 82
	// MaxLength is the most bytes from the start character to the checksum that are still read as one sentence.
	MaxLength = 1024
	// MaxFields is the most fields after the address that are read.
	MaxFields = 128
)

// Sentence is one sentence of a line. Its slices alias the line, so it is valid as long as the line is.
type Sentence struct {
	Raw         []byte   // from the start character to the last digit of the checksum
	Address     Address  // talker and formatter
	Start       byte     // '$', or '!' for encapsulated data such as AIS
	Checksum    Checksum // of the sentence
	TagChecksum Checksum // of the tag blocks before it, the worst if there are several; missing when there is none
	Lower       bool     // the address was written in lower case
	Foreign     int      // bytes outside the printable ASCII range within the sentence
	Noise       int      // bytes right before and after the sentence that belong to none, line ends and spaces aside

	tags   []byte // the tag blocks with their backslashes
	fields int
	ends   [MaxFields]uint16 // end of each field within Raw
	first  uint16            // start of field 0 within Raw
}

// Parse reads the first sentence of line into s, all of which it sets, and returns what is left of the line after it:
// nil, or at least one more sentence or tag block that was run together with the first. The error is nil or a Reason.
// Parse allocates nothing.
//
// A wrong or missing checksum is no error: see Sentence.Checksum. Line ends may be present or not; a line may hold
// many.
func Parse(line []byte, s *Sentence) (rest []byte, err error) {
	s.reset()
	line = bytes.TrimPrefix(line, datagramHeader)
	at := s.findStart(line)
	if at < 0 {
		return nil, nothing(line, s)
	}
	if line[at] == '\\' {
		end := tagsEnd(line, at)
		s.tags = line[at:end]
		s.checkTags()
		if end == len(line) || line[end] != '$' && line[end] != '!' || addressLen(line[end+1:]) == 0 {
			return s.remainder(line, end), ReasonTagAlone
		}
		at = end
	}
	return s.scan(line, at)
}

// datagramHeader precedes the sentences of an IEC 61162-450 datagram (from memory).
var datagramHeader = []byte("UdPbC\x00")

func (s *Sentence) reset() {
	s.Raw, s.tags = nil, nil
	s.Address = Address{}
	s.Start, s.Checksum, s.TagChecksum, s.Lower = 0, ChecksumMissing, ChecksumMissing, false
	s.Foreign, s.Noise, s.fields, s.first = 0, 0, 0, 0
}

// scan reads the sentence whose start character is at line[at].
func (s *Sentence) scan(line []byte, at int) (rest []byte, err error) {
	b := line[at:]
	from := s.setAddress(b)
	fields, body, cut := s.setFields(b, from)
	end := s.setChecksum(b, body)
	rest = s.remainder(line, at+end+s.metadataLen(b[end:]))
	if s.Checksum == ChecksumMissing {
		body = s.trim(b, from, body)
		end = body
	}
	s.Raw = b[:end]
	s.endField(fields, body)
	switch {
	case end > MaxLength:
		err = ReasonTooLong
	case cut || fields == 0 && s.Checksum == ChecksumMissing:
		err = ReasonCut
	case s.Foreign > 0 && s.Checksum != ChecksumGood:
		err = ReasonBinary
	case fields > MaxFields:
		err = ReasonTooManyFields
	}
	if fields <= MaxFields && end <= MaxLength {
		s.fields = fields
	}
	return rest, err
}

// metadataLen is the length of what a receiver appends to an AIS sentence after its checksum: ",s12345,T08.5,1780000000". It is no noise.
func (s *Sentence) metadataLen(b []byte) int {
	n := lineLen(b)
	if s.Checksum != ChecksumGood || s.Start != '!' || n == 0 || b[0] != ',' {
		return 0
	}
	for _, c := range b[:n] {
		if c := classes[c]; c == beginning || c == foreign {
			return 0
		}
	}
	return n
}

// setAddress takes start character and address, and is the index after them.
func (s *Sentence) setAddress(b []byte) int {
	n := 1 + addressLen(b[1:])
	s.Start = b[0]
	for i, c := range b[1:n] {
		s.Address[i] = upper(c)
		s.Lower = s.Lower || c-'a' < 26
	}
	s.first = uint16(n + 1)
	return n
}

// setFields finds the fields from the end of the address on. The body ends before the checksum, at the end of the line,
// or where the next sentence begins: then this one was cut.
func (s *Sentence) setFields(b []byte, from int) (fields, body int, cut bool) {
	for i := from; i < len(b); i++ {
		switch classes[b[i]] {
		case separator:
			s.endField(fields, i)
			fields++
		case asterisk:
			if digitsLen(b[i+1:]) >= 0 {
				return fields, i, false
			}
		case beginning:
			if m := addressLen(b[i+1:]); m > 0 && i+1+m < len(b) {
				return fields, i, true
			}
		case lineEnd:
			return fields, i, false
		case foreign:
			s.Foreign++
		}
	}
	return fields, len(b), false
}

// endField notes where the last of so many fields ends.
func (s *Sentence) endField(fields, at int) {
	if fields > 0 && fields <= MaxFields && at <= MaxLength {
		s.ends[fields-1] = uint16(at)
	}
}

// setChecksum checks the checksum after the body, and is the index after it.
func (s *Sentence) setChecksum(b []byte, body int) int {
	if body == len(b) || b[body] != '*' {
		return body
	}
	digits := b[body+1:][:digitsLen(b[body+1:])]
	s.Checksum = ChecksumBad
	if len(digits) == 2 && isHex(digits[0]) && isHex(digits[1]) && hex(digits[0])<<4|hex(digits[1]) == Sum(b[1:body]) {
		s.Checksum = ChecksumGood
	}
	return body + 1 + len(digits)
}

// digitsLen is the length of a checksum's digits, which may be torn off or wrong at the end of a line, or -1 when there
// is none: then the asterisk before it is text.
func digitsLen(b []byte) int {
	if len(b) >= 2 && isHex(b[0]) && isHex(b[1]) {
		return 2
	}
	if n := lineLen(b); n <= 2 {
		return n
	}
	return -1
}

// trim takes zero bytes and spaces from the end of a body without a checksum; zero bytes are noise.
func (s *Sentence) trim(b []byte, from, body int) int {
	for body > from && (b[body-1] == 0 || b[body-1] == ' ') {
		body--
		if b[body] == 0 {
			s.Foreign--
			s.Noise++
		}
	}
	return body
}

// class is what a byte means within a sentence.
type class uint8

const (
	plainText class = iota
	separator
	asterisk
	beginning // of a sentence
	lineEnd
	foreign // it does not print
)

// classes of all bytes. Read-only.
var classes = func() (of [256]class) {
	for c := range of {
		if c < 0x20 || c > 0x7E {
			of[c] = foreign
		}
	}
	of[','], of['*'], of['$'], of['!'], of['\r'], of['\n'] = separator, asterisk, beginning, beginning, lineEnd, lineEnd
	return of
}()

// findStart is the index of the first start character that an address follows, or of the first tag block, whichever
// comes first; -1 when there is neither. What it skips is counted as noise.
func (s *Sentence) findStart(line []byte) int {
	for i, c := range line {
		switch c {
		case '$', '!':
			if addressLen(line[i+1:]) > 0 {
				return i
			}
		case '\\':
			if tagsEnd(line, i) > 0 {
				return i
			}
		case '\r', '\n', ' ':
			continue
		}
		s.Noise++
	}
	return -1
}

// remainder is the part of line from its next sentence or tag block after at, or nil; what it skips is noise.
func (s *Sentence) remainder(line []byte, at int) []byte {
	if at >= len(line) {
		return nil
	}
	next := s.findStart(line[at:])
	if next < 0 {
		return nil
	}
	return line[at+next:]
}

// nothing is the reason why a line without start holds no sentence.
func nothing(line []byte, s *Sentence) Reason {
	switch {
	case s.Noise == 0:
		return ReasonEmpty
	case bytes.IndexByte(line, '$') >= 0 || bytes.IndexByte(line, '!') >= 0:
		return ReasonAddress
	}
	return ReasonNoStart
}

// Talker is the talker in upper case; it aliases s.
func (s *Sentence) Talker() []byte { return s.Address.talker() }

// Formatter is the formatter in upper case; it aliases s.
func (s *Sentence) Formatter() []byte { return s.Address.formatter() }

// NumFields is the number of fields after the address.
func (s *Sentence) NumFields() int { return s.fields }

// Field is the field with the given index, 0 being the one after the address. It is empty, not an error, beyond the
// last.
func (s *Sentence) Field(i int) []byte {
	if i < 0 || i >= s.fields {
		return nil
	}
	from := s.first
	if i > 0 {
		from = s.ends[i-1] + 1
	}
	return s.Raw[from:s.ends[i]]
}

// Has reports whether the field is there and not empty.
func (s *Sentence) Has(i int) bool { return len(s.Field(i)) > 0 }

// WireLength is the number of characters that the sentence took on the line with carriage return, line feed and tag
// blocks.
func (s *Sentence) WireLength() int { return len(s.tags) + len(s.Raw) + 2 }

// Overlong reports whether the sentence has more than the standard's 82 characters; tag blocks do not count.
func (s *Sentence) Overlong() bool { return len(s.Raw)+2 > StandardLength }

func lineLen(b []byte) int {
	for i, c := range b {
		if c == '\r' || c == '\n' {
			return i
		}
	}
	return len(b)
}

func isHex(c byte) bool { return c-'0' < 10 || c|0x20-'a' < 6 }

func hex(c byte) byte {
	if c <= '9' {
		return c - '0'
	}
	return c | 0x20 - 'a' + 10
}
