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

// Parse reads the first sentence of line into s, all of which it sets, and returns what is left of the line after it: nil, or at
// least one more sentence or tag block that was run together with the first. The error is nil or a Reason. Parse allocates nothing.
//
// A wrong or missing checksum is no error: see Sentence.Checksum. Line ends may be present or not; a line may hold many.
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

// datagramHeader stands before the sentences of an IEC 61162-450 datagram (from memory).
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
	n := addressLen(b[1:])
	s.Start = b[0]
	var sum byte
	for i := range n {
		c := b[1+i]
		s.Address[i] = upper(c)
		s.Lower = s.Lower || c-'a' < 26
		sum ^= c
	}
	var (
		i      = n + 1
		end    = -1 // end of Raw, once known
		fields = 0
		cut    = false
	)
	s.first = uint16(i + 1)
scanning:
	for ; i < len(b); i++ {
		c := b[i]
		if !special[c] {
			sum ^= c
			continue
		}
		switch {
		case c == ',':
			if fields > 0 && fields <= MaxFields && i <= MaxLength {
				s.ends[fields-1] = uint16(i)
			}
			fields++
		case c == '*':
			if i+2 < len(b) && isHex(b[i+1]) && isHex(b[i+2]) {
				s.Checksum = ChecksumBad
				if hex(b[i+1])<<4|hex(b[i+2]) == sum {
					s.Checksum = ChecksumGood
				}
				end = i + 3
				break scanning
			}
			if torn := lineLen(b[i+1:]); torn <= 2 {
				s.Checksum = ChecksumBad
				end = i + 1 + torn
				break scanning
			}
		case c == '$' || c == '!':
			if m := addressLen(b[i+1:]); m > 0 && i+1+m < len(b) {
				cut = true
				break scanning
			}
		case c == '\r' || c == '\n':
			break scanning
		case c < 0x20 || c > 0x7E:
			s.Foreign++
		}
		sum ^= c
	}
	body := i // end of the last field
	if end < 0 {
		for body > n+1 && (b[body-1] == 0 || b[body-1] == ' ') {
			body--
			if b[body] == 0 {
				s.Foreign--
				s.Noise++
			}
		}
		end = body
	}
	s.Raw = b[:end]
	if fields > 0 && fields <= MaxFields && body <= MaxLength {
		s.ends[fields-1] = uint16(body)
	}
	rest = s.remainder(line, at+max(end, i))
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
	if err == nil || fields <= MaxFields && end <= MaxLength {
		s.fields = fields
	}
	return rest, err
}

// special marks the bytes that scan must look at: delimiters, and what does not print. It is never written to.
var special = func() (is [256]bool) {
	for c := range is {
		is[c] = c < 0x20 || c > 0x7E
	}
	for _, c := range ",*$!" {
		is[c] = true
	}
	return is
}()

// findStart is the index of the first start character that an address follows, or of the first tag block, whichever comes first;
// -1 when there is neither. What it skips is counted as noise.
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

// remainder is what stands in line from its next sentence or tag block after at, or nil; what it skips is noise.
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

// Field is the field with the given index, 0 being the one after the address. It is empty, not an error, beyond the last.
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

// WireLength is the number of characters that the sentence took on the line with carriage return, line feed and tag blocks.
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
