package nmea0183

import (
	"strings"
	"unicode"
	"unicode/utf8"

	nmea "github.com/adrianmo/go-nmea"
)

// Version is what VER sentences report about the equipment that sends them. A text that was not given is empty.
type Version struct {
	DeviceType string
	Vendor     string
	UniqueID   string
	Serial     string // the manufacturer's serial number
	Model      string
	Software   string
	Hardware   string
}

// Versions joins the VER sentences of one talker. The zero value is ready.
//
// A VER sentence has total, number, device type, vendor id, unique id, serial, model, software revision, hardware
// revision, sequence id (two manuals of marine radio and radar equipment). Long texts are split over several sentences
// with the same sequence id: a later one fills what is empty and lengthens what is not (from memory).
type Versions struct {
	version     Version
	total, next int64
	sequence    [8]byte
}

// Add reads s and reports whether it completes a Version. When a part is missing the whole group is given up, so that
// no text is ever half of one. A sentence that is not VER, or has a bad checksum, changes nothing.
func (j *Versions) Add(s *Sentence) (Version, bool) {
	if string(s.Formatter()) != "VER" || s.Start != '$' || s.Checksum == ChecksumBad || s.NumFields() < 3 {
		return Version{}, false
	}
	total, _ := integer(s.Field(0))
	number, _ := integer(s.Field(1))
	if total < 1 || number < 1 || number > total {
		total, number = 1, 1
	}
	var sequence [8]byte
	copy(sequence[:], s.Field(9))
	if number == 1 {
		*j = Versions{total: total, next: 1, sequence: sequence}
	}
	if number != j.next || total != j.total || sequence != j.sequence {
		j.next = 0
		return Version{}, false
	}
	v := &j.version
	texts := [...]*string{&v.DeviceType, &v.Vendor, &v.UniqueID, &v.Serial, &v.Model, &v.Software, &v.Hardware}
	for i, text := range texts {
		if part := unescape(s.Field(2 + i)); part != "" && len(*text)+len(part) <= maxVersionText {
			*text += part
		}
	}
	j.next++
	return *v, number == total
}

// maxVersionText bounds a text that is put together from parts; a field has at most 32 characters.
const maxVersionText = 128

// Heartbeat is what an HBT sentence reports.
type Heartbeat struct {
	IntervalSec float64 // time to the next one in s; 0 when not given
	Normal      bool    // the equipment reports that it works
	StatusGiven bool
	Sequence    int // 0 to 9, or -1 when not given; a skipped number is a lost sentence
}

// ReadHeartbeat reads an HBT sentence: interval, status A or V, sequence (equipment manuals). Fields may be missing.
func ReadHeartbeat(s *Sentence) (h Heartbeat, ok bool) {
	if string(s.Formatter()) != "HBT" || s.Start != '$' || s.Checksum == ChecksumBad {
		return h, false
	}
	fields, _ := formatOf("HBT").layout.clean(s)
	m, err := byLibrary("HBT", fields)
	if err != nil {
		return h, false
	}
	x := m.(nmea.HBT)
	h.IntervalSec = max(x.Interval, 0)
	h.StatusGiven, h.Normal = x.OperationStatus != "", x.OperationStatus == nmea.StatusValid
	h.Sequence = -1
	if fields[2] != "" && x.MessageID >= 0 && x.MessageID <= 9 {
		h.Sequence = int(x.MessageID)
	}
	return h, true
}

// Text is what a TXT sentence reports.
type Text struct {
	Total, Number int    // of the sentences of one text; 0 when not given
	ID            string // given by the manufacturer; start-up banners often carry a firmware version
	Text          string
}

// ReadText reads a TXT sentence: total, number, id, text (two equipment manuals). A text with commas is kept whole.
func ReadText(s *Sentence) (x Text, ok bool) {
	if string(s.Formatter()) != "TXT" || s.Start != '$' || s.Checksum == ChecksumBad || s.NumFields() < 4 {
		return x, false
	}
	total, _ := integer(s.Field(0))
	number, _ := integer(s.Field(1))
	if total >= 1 && total <= 99 && number >= 1 && number <= total {
		x.Total, x.Number = int(total), int(number)
	}
	x.ID = unescape(s.Field(2))
	x.Text = unescape(s.Raw[s.ends[2]+1 : s.ends[s.fields-1]])
	return x, true
}

// unescape is a text field with every ^hh replaced by the byte it represents (ISO 8859-1, from memory), without
// spaces around it, and with a question mark for what does not print. UTF-8, which is not in the standard, is kept.
func unescape(b []byte) string {
	var text strings.Builder
	for i := 0; i < len(b); i++ {
		r := rune(b[i])
		switch {
		case r == '^' && i+2 < len(b) && isHex(b[i+1]) && isHex(b[i+2]):
			r = rune(hex(b[i+1])<<4 | hex(b[i+2]))
			i += 2
		case r >= utf8.RuneSelf:
			if wide, n := utf8.DecodeRune(b[i:]); n > 1 {
				r = wide
				i += n - 1
			}
		}
		if !unicode.IsPrint(r) {
			r = '?'
		}
		text.WriteRune(r)
	}
	return strings.TrimSpace(text.String())
}
