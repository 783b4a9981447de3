package api

import (
	"bytes"
	"encoding/json"
	"fmt"
	"hash/fnv"
	"slices"
	"strconv"
	"strings"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/nmea0183"
	"muster/internal/render"
)

// TrafficSentence is one NMEA 0183 sentence as the API gives it.
type TrafficSentence struct {
	Number      uint64         `json:"number" doc:"Counts all sentences since the start, from 1."`
	Time        event.Time     `json:"time,omitzero"`
	Network     string         `json:"network"`
	Device      string         `json:"device" doc:"The talker's id: its network and letters."`
	Talker      string         `json:"talker" doc:"P for a proprietary sentence."`
	Formatter   string         `json:"formatter" doc:"What follows the talker: RMC; Q of a query; manufacturer and type of a proprietary sentence."`
	Title       string         `json:"title,omitempty"`
	Sent        bool           `json:"sent,omitempty" doc:"Sent by muster itself."`
	Checksum    string         `json:"checksum" enum:"good,bad,missing"`
	Tags        string         `json:"tags,omitempty" doc:"The tag blocks before it. Characters that do not print are written as \\x and two hex digits, as in sentence."`
	TagChecksum string         `json:"tag_checksum,omitempty" enum:"good,bad,missing"`
	Fields      []MessageField `json:"fields,omitempty" doc:"None when the checksum is bad."`
	Sentence    string         `json:"sentence" doc:"As received, from its start character to the checksum."`

	text []byte // as JSON
}

// SentenceFilter selects sentences. An empty key selects all.
type SentenceFilter struct {
	Network   string `query:"network" maxLength:"64"`
	Device    string `query:"device" maxLength:"100" doc:"Id of a unit, or of one of its talkers."`
	Talker    string `query:"talker" maxLength:"2"`
	Formatter string `query:"formatter" maxLength:"15"`
}

func (f *SentenceFilter) from(senders []string) func(*raw) bool {
	return func(r *raw) bool {
		return (f.Network == "" || f.Network == r.network) && (f.Device == "" || r.sentBy(senders)) &&
			(f.Talker == "" || strings.EqualFold(f.Talker, r.address.Talker())) &&
			(f.Formatter == "" || strings.EqualFold(f.Formatter, r.address.Formatter()))
	}
}

// sentBy reports whether one of the talkers sent the sentence.
func (r *raw) sentBy(senders []string) bool {
	return slices.ContainsFunc(senders, func(id string) bool {
		letters, ok := strings.CutPrefix(id, r.network+"/")
		return ok && letters == r.address.Talker()
	})
}

// NoteSentence keeps a copy of a sentence. It fits boat.Options.OnSentence.
func (t *Traffic) NoteSentence(s *nmea0183.Sentence, in boat.Line) {
	t.sentences.mu.Lock()
	defer t.sentences.mu.Unlock()
	r := t.sentences.add()
	r.time, r.network, r.sent = in.Time, in.Network, in.Sent
	r.address, r.checksum = s.Address, s.Checksum
	r.data = r.data[:0]
	if tags := s.Tags(); len(tags) <= nmea0183.MaxLength {
		r.data = append(r.data, tags...)
	}
	r.data = append(r.data, s.Raw...)
}

// Sentences is Since for the sentences.
func (t *Traffic) Sentences(after uint64, f SentenceFilter, most int) (list []*TrafficSentence, seen, lost uint64) {
	return t.sentences.since(after, f.from(t.sendersOf(f.Device)), most)
}

// NewestSentences is like Sentences, but lists only the last of those that differ in nothing but their numbers.
func (t *Traffic) NewestSentences(after uint64, f SentenceFilter) (list []*TrafficSentence, seen uint64) {
	return newest(&t.sentences, after, f.from(t.sendersOf(f.Device)), (*raw).sentenceKind)
}

// LatestSentence is the number of the latest sentence, 0 before the first.
func (t *Traffic) LatestSentence() uint64 { return t.sentences.latest() }

// sentenceKind identifies the sentences that replace one another.
type sentenceKind struct {
	network  string
	address  nmea0183.Address
	checksum nmea0183.Checksum
	words    uint64
}

// sentenceKind distinguishes sentences of one address by their words and single digits: relative wind from true, one engine or transducer
// from another, the parts of a text. Other differences are values. AIS is distinguished by part and type of message.
func (r *raw) sentenceKind() sentenceKind {
	k := sentenceKind{r.network, r.address, r.checksum, 0}
	var s nmea0183.Sentence
	if _, err := nmea0183.Parse(r.data, &s); err != nil || r.checksum == nmea0183.ChecksumBad {
		return k
	}
	sum := fnv.New64a()
	for i := range s.NumFields() {
		field := s.Field(i)
		switch {
		case s.Start == '!' && i > 1 && i != 4:
			continue
		case s.Start == '!' && i == 4:
			field = field[:min(1, len(field))]
		case len(field) > 1 && !bytes.ContainsFunc(field, isLetter):
			continue
		}
		sum.Write(append(strconv.AppendInt(nil, int64(i), 10), field...))
	}
	k.words = sum.Sum64()
	return k
}

func isLetter(c rune) bool { return c|0x20-'a' < 26 && c|0x20 >= 'a' }

func (t *Traffic) decodeSentence(r *raw) *TrafficSentence {
	s := &t.parsed
	_, _ = nmea0183.Parse(r.data, s) // it was read before
	s.Checksum = r.checksum          // that of a torn one may depend on what followed it
	m := &TrafficSentence{Number: r.number, Time: r.time, Network: r.network, Talker: s.Address.Talker(), Formatter: s.Address.Formatter(),
		Title: sentenceTitle(s), Sent: r.sent, Checksum: s.Checksum.String(), Sentence: escaped(s.Raw)}
	m.Device = m.Network + "/" + m.Talker
	if s.HasTags() {
		m.Tags, m.TagChecksum = escaped(s.Tags()), s.TagChecksum.String()
	}
	if s.Checksum != nmea0183.ChecksumBad {
		t.readings, _ = nmea0183.Read(s, t.readings[:0]) // a field that cannot be read leaves the others
		m.Fields = sentenceFields(s, t.readings)
	}
	m.text, _ = json.Marshal(m) // plain values cannot fail
	return m
}

// sentenceTitle is the title of a sentence, "" when it is unknown.
func sentenceTitle(s *nmea0183.Sentence) string {
	switch {
	case s.Address.Proprietary():
		return "Proprietary sentence of manufacturer " + s.Address.Manufacturer()
	case s.Address.Query():
		return "Query to " + s.Address.Listener()
	}
	return nmea0183.Title(s.Address.Formatter())
}

// escaped shows bytes of a line: what is not printable ASCII as \x and two hex digits.
func escaped(line []byte) string {
	var b strings.Builder
	for _, c := range line {
		if c < 0x20 || c > 0x7E {
			fmt.Fprintf(&b, `\x%02X`, c)
		} else {
			b.WriteByte(c)
		}
	}
	return b.String()
}

// sentenceFields are the values of a sentence: its readings, or what it reports of its sender.
func sentenceFields(s *nmea0183.Sentence, readings []nmea0183.Reading) (list []MessageField) {
	for i := range readings {
		list = appendReading(list, &readings[i])
	}
	word := func(key, name, text string) {
		if text != "" {
			list = append(list, MessageField{Key: key, Name: name, Text: boat.Printable(text)})
		}
	}
	var ais nmea0183.AIS
	var version nmea0183.Versions // what several sentences report is on the talker's page
	if ais.Begin(s) {
		word("message_type", "message type", strconv.Itoa(int(ais.Type)))
		word("mmsi", "MMSI", fmt.Sprintf("%09d", ais.MMSI))
		word("name", "name", ais.Name.String())
		word("call_sign", "call sign", ais.CallSign.String())
	} else if x, ok := nmea0183.ReadText(s); ok {
		word("text", "text", x.Text)
	} else if v, ok := version.Add(s); ok {
		word("model", "model", v.Model)
		word("software", "software", v.Software)
		word("hardware", "hardware", v.Hardware)
		word("serial", "serial", v.Serial)
	} else if b, ok := nmea0183.ReadHeartbeat(s); ok && b.StatusGiven {
		word("status", "status", map[bool]string{true: "normal", false: "not normal"}[b.Normal])
	} else if s.Address.Query() {
		word("wanted", "wanted", string(s.Field(0)))
	}
	return list
}

// appendReading appends the field of a reading, or the two of a position.
func appendReading(list []MessageField, r *nmea0183.Reading) []MessageField {
	key := r.Quantity.String()
	if r.Reference != nmea0183.ReferenceNone {
		key += "-" + r.Reference.String()
	}
	f := MessageField{Key: strings.ReplaceAll(key, "-", "_"), Name: render.ReadingName(r), Unit: render.ReadingUnits[r.Quantity]}
	if !r.Available {
		f.State = "not available"
		return append(list, f)
	}
	if r.Quantity == nmea0183.Position {
		latitude, longitude := r.Value, r.Longitude
		return append(list, MessageField{Key: "latitude", Name: "latitude", Text: render.Latitude(latitude), Number: &latitude, Unit: "deg"},
			MessageField{Key: "longitude", Name: "longitude", Text: render.Longitude(longitude), Number: &longitude, Unit: "deg"})
	}
	number := r.Value
	f.Text, f.Number = render.ReadingText(r), &number
	return append(list, f)
}

// Heard is a message or a sentence of live traffic.
type Heard struct {
	Message  *Message
	Sentence *TrafficSentence
}

// InOrder merges messages and sentences by their times; those of one kind keep their order.
func InOrder(messages []*Message, sentences []*TrafficSentence) []Heard {
	list := make([]Heard, 0, len(messages)+len(sentences))
	for len(messages) > 0 || len(sentences) > 0 {
		if len(sentences) == 0 || len(messages) > 0 && messages[0].Time <= sentences[0].Time {
			list, messages = append(list, Heard{Message: messages[0]}), messages[1:]
		} else {
			list, sentences = append(list, Heard{Sentence: sentences[0]}), sentences[1:]
		}
	}
	return list
}
