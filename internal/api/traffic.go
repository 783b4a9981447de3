package api

import (
	"encoding/hex"
	"encoding/json"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/nmea0183"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/transport"
	"muster/pgn"
)

// Traffic keeps the latest messages and NMEA 0183 sentences of all networks. Noting one costs no memory once the ring is warm; it is
// decoded only when it is read, and then once for all clients.
type Traffic struct {
	messages  recent[Message]
	sentences recent[TrafficSentence] // of their own, so that a full bus drives out none

	units func() *report.Report // nil while no server has it

	values   []pgn.Value // of the ring that decodes
	parsed   nmea0183.Sentence
	readings []nmea0183.Reading
}

// NewTraffic keeps so many messages, and so many sentences; 0 means 1024.
func NewTraffic(keep int) *Traffic {
	if keep <= 0 {
		keep = 1024
	}
	t := &Traffic{}
	t.messages = newRecent(keep, t.decode)
	t.sentences = newRecent(keep, t.decodeSentence)
	return t
}

// Keeps is how many messages it keeps, and as many sentences.
func (t *Traffic) Keeps() int { return int(t.messages.keep) }

// Note keeps a copy of a message. It fits boat.Options.OnMessage.
func (t *Traffic) Note(m *transport.Message, by *boat.Sender) {
	t.messages.mu.Lock()
	defer t.messages.mu.Unlock()
	r := t.messages.add()
	r.time, r.id, r.to = m.Time, m.ID, m.Destination
	r.network, r.device = by.Network, by.ID
	r.data = append(r.data[:0], m.Data...)
}

// Message is one message as the API gives it.
type Message struct {
	Number      uint64         `json:"number" doc:"Counts all messages since the start, from 1."`
	Time        event.Time     `json:"time,omitzero"`
	Network     string         `json:"network"`
	Device      string         `json:"device"`
	Source      uint8          `json:"source"`
	Destination uint8          `json:"destination" doc:"255 is every device (broadcast)."`
	Priority    uint8          `json:"priority"`
	PGN         uint32         `json:"pgn"`
	Title       string         `json:"title,omitempty"`
	Instance    *uint8         `json:"instance,omitempty"`
	Fields      []MessageField `json:"fields,omitempty"`
	Data        string         `json:"data" doc:"The payload as hex digits."`

	text []byte // as JSON
}

// Payload is the data of the message.
func (m *Message) Payload() ([]byte, error) { return hex.DecodeString(m.Data) }

// MessageField is one decoded field. Reserved fields are left out.
type MessageField struct {
	Key    string   `json:"key"`
	Name   string   `json:"name"`
	Text   string   `json:"text" doc:"For people: in kn, °, hPa or bar, positions in degrees and minutes."`
	Number *float64 `json:"number,omitempty" doc:"In the unit; absent when not available."`
	Unit   string   `json:"unit,omitempty" doc:"SI."`
	State  string   `json:"state,omitempty" doc:"Why there is no value: not available, out of range, reserved, missing."`
}

// sendersOf are the ids under which what a filter names sends: those of all presences of a unit, or only its own.
func (t *Traffic) sendersOf(device string) []string {
	if t.units != nil && device != "" {
		if u := t.units().Unit(device); u != nil && u.ID == device {
			return u.IDs()
		}
	}
	return []string{device}
}

// Filter selects messages. An empty key selects all.
type Filter struct {
	Network string `query:"network" maxLength:"64"`
	Device  string `query:"device" maxLength:"100" doc:"Id of a unit, or of one of its NAMEs."`
	PGN     uint32 `query:"pgn" maximum:"131071"`
}

func (f *Filter) from(senders []string) func(*raw) bool {
	return func(m *raw) bool {
		return (f.Network == "" || f.Network == m.network) && (f.Device == "" || slices.Contains(senders, m.device)) &&
			(f.PGN == 0 || f.PGN == m.id.PGN())
	}
}

// Since lists the kept messages with a number above after, oldest first, of them the latest most, 0 for all; seen is the latest number
// there was, and lost is how many of those asked for are no longer kept. The messages are shared: read-only.
func (t *Traffic) Since(after uint64, f Filter, most int) (list []*Message, seen, lost uint64) {
	return t.messages.since(after, f.from(t.sendersOf(f.Device)), most)
}

// Newest is like Since, but of each device, number and instance lists only the last message.
func (t *Traffic) Newest(after uint64, f Filter) (list []*Message, seen uint64) {
	return newest(&t.messages, after, f.from(t.sendersOf(f.Device)), (*raw).messageKind)
}

// Latest is the number of the latest message, 0 before the first.
func (t *Traffic) Latest() uint64 { return t.messages.latest() }

// messageKind identifies the messages that replace one another.
type messageKind struct {
	network, device string
	pgn             uint32
	instance        int
}

func (r *raw) messageKind() messageKind {
	k := messageKind{r.network, r.device, r.id.PGN(), -1}
	if i, ok := pgn.Lookup(k.pgn).For(r.data).Instance(r.data); ok {
		k.instance = int(i)
	}
	return k
}

func (t *Traffic) decode(r *raw) *Message {
	m := &Message{Number: r.number, Time: r.time, Network: r.network, Device: r.device, Source: r.id.Source(), Destination: r.to,
		Priority: r.id.Priority(), PGN: r.id.PGN(), Data: strings.ToUpper(hex.EncodeToString(r.data))}
	if def := pgn.Lookup(m.PGN).For(r.data); def != nil {
		m.Title = def.Title
		if n, ok := def.Instance(r.data); ok {
			m.Instance = &n
		}
		t.values, _ = def.Decode(r.data, t.values) // the fields before a damaged string are shown
		for i := range t.values {
			if v := &t.values[i]; v.Field.Role != pgn.RoleReserved {
				m.Fields = append(m.Fields, field(v))
			}
		}
	}
	m.text, _ = json.Marshal(m) // a Message of plain values cannot fail
	return m
}

func field(v *pgn.Value) MessageField {
	f := MessageField{Key: v.Field.Key, Name: v.Field.Name, Text: textOf(v), Unit: v.Field.Unit}
	if v.Repeat > 0 {
		f.Name += " " + strconv.Itoa(int(v.Repeat)+1)
	}
	if v.State != pgn.Available {
		f.State = v.State.String()
	} else if !math.IsNaN(v.Number) && !math.IsInf(v.Number, 0) {
		n := v.Number
		f.Number = &n
	}
	return f
}

// machine is the key of the pressure of a machine, which counts from that of the air.
var machine = regexp.MustCompile("^(boost|oil|coolant|fuel)_")

// textOf writes a value in the units used on boats; a field of another unit as the message set writes it.
func textOf(v *pgn.Value) string {
	if v.State == pgn.Available && v.Of == nil {
		switch key := v.Field.Key; {
		case v.Field.Unit == "deg" && strings.HasSuffix(key, "latitude"):
			return render.Latitude(v.Number)
		case v.Field.Unit == "deg" && strings.HasSuffix(key, "longitude"):
			return render.Longitude(v.Number)
		case v.Field.Unit == "Pa" && machine.MatchString(key):
			return render.Gauge(v.Number)
		}
		if text := render.InUnit(v.Number, v.Field.Unit); text != "" {
			return text
		}
	}
	return boat.Printable(v.String())
}
