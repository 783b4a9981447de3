package nmea0183

import "bytes"

// tagsEnd is the index after the tag blocks that begin with the backslash at line[at], or 0 when none is whole.
func tagsEnd(line []byte, at int) int {
	end := 0
	for at+2 < len(line) && line[at] == '\\' && line[at+2] == ':' {
		i := at + 1
		for i < len(line) && line[i] != '\\' {
			if line[i] < 0x20 || line[i] > 0x7E {
				return end
			}
			i++
		}
		if i == len(line) {
			return end
		}
		at = i + 1
		end = at
	}
	return end
}

// checkTags sets the state of the tag blocks' checksums.
func (s *Sentence) checkTags() {
	s.TagChecksum = ChecksumGood
	for rest := s.tags; len(rest) > 0; {
		var block []byte
		block, rest = nextTag(rest)
		state := ChecksumMissing
		if star := bytes.LastIndexByte(block, '*'); star >= 0 {
			state = ChecksumBad
			if d := block[star+1:]; len(d) == 2 && isHex(d[0]) && isHex(d[1]) && hex(d[0])<<4|hex(d[1]) == Sum(block[:star]) {
				state = ChecksumGood
			}
		}
		if state == ChecksumBad || state == ChecksumMissing && s.TagChecksum == ChecksumGood {
			s.TagChecksum = state
		}
	}
}

// nextTag splits the first tag block's inside off the tag blocks.
func nextTag(tags []byte) (block, rest []byte) {
	end := 1 + bytes.IndexByte(tags[1:], '\\')
	return tags[1:end], tags[end+1:]
}

// HasTags reports whether the sentence has tag blocks before it.
func (s *Sentence) HasTags() bool { return len(s.tags) > 0 }

// Tags are the tag blocks before the sentence with their backslashes, nil when there are none. They alias the line.
func (s *Sentence) Tags() []byte { return s.tags }

// Tag is the value of a key in the tag blocks before the sentence: 'c' time, 'd' destination, 'g' group, 'n' line
// count, 'r' relative time, 's' source, 't' or 'i' text. The value aliases the line. Check TagChecksum before trusting
// it.
func (s *Sentence) Tag(key byte) (value []byte, ok bool) {
	for rest := s.tags; len(rest) > 0; {
		var block []byte
		block, rest = nextTag(rest)
		if star := bytes.LastIndexByte(block, '*'); star >= 0 {
			block = block[:star]
		}
		for len(block) > 0 {
			var item []byte
			item, block, _ = bytes.Cut(block, comma)
			if len(item) >= 2 && item[0] == key && item[1] == ':' {
				return item[2:], true
			}
		}
	}
	return nil, false
}

var comma = []byte{','}

// integer reads a whole decimal number of at most 18 digits.
func integer(b []byte) (int64, bool) {
	negative := len(b) > 0 && b[0] == '-'
	if negative {
		b = b[1:]
	}
	if len(b) == 0 || len(b) > 18 {
		return 0, false
	}
	n := int64(0)
	for _, c := range b {
		if !isDigit(c) {
			return 0, false
		}
		n = n*10 + int64(c-'0')
	}
	if negative {
		n = -n
	}
	return n, true
}
