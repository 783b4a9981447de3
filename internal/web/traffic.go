package web

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// Traffic keeps the latest messages of all networks. Note costs no memory once the ring is warm; a message is decoded
// only when somebody reads it, and then once for all readers.
type Traffic struct {
	mu   sync.Mutex
	ring []rawMessage
	next uint64 // number of the next message; the first is 1

	reading sync.Mutex
	taken   []rawMessage // a copy of ring up to the number upTo, for the readers
	decoded []*Message   // those of taken that somebody read; immutable
	upTo    uint64
	values  []pgn.Value
}

type rawMessage struct {
	number  uint64
	time    event.Time
	id      pgn.ID
	to      uint8
	network string
	device  string
	data    []byte
}

// NewTraffic keeps so many messages; 0 means 1024.
func NewTraffic(keep int) *Traffic {
	if keep <= 0 {
		keep = 1024
	}
	return &Traffic{ring: make([]rawMessage, keep), taken: make([]rawMessage, keep), decoded: make([]*Message, keep), next: 1, upTo: 1}
}

// Note keeps a copy of a message. It fits boat.Options.OnMessage.
func (t *Traffic) Note(m *transport.Message, by *boat.Sender) {
	t.mu.Lock()
	defer t.mu.Unlock()
	r := &t.ring[t.next%uint64(len(t.ring))]
	r.number, r.time, r.id, r.to = t.next, m.Time, m.ID, m.Destination
	r.network, r.device = by.Network, by.ID
	r.data = append(r.data[:0], m.Data...)
	t.next++
}

// Message is one message as the API gives it.
type Message struct {
	Number      uint64         `json:"number" doc:"Counts all messages since the start, from 1."`
	Time        event.Time     `json:"time,omitzero"`
	Network     string         `json:"network"`
	Device      string         `json:"device"`
	Source      uint8          `json:"source"`
	Destination uint8          `json:"destination" doc:"255 is everybody."`
	Priority    uint8          `json:"priority"`
	PGN         uint32         `json:"pgn"`
	Title       string         `json:"title,omitempty"`
	Instance    *uint8         `json:"instance,omitempty"`
	Fields      []MessageField `json:"fields,omitempty"`
	Data        string         `json:"data" doc:"The payload as hex digits."`

	text []byte // as JSON
}

// shownFields is how many fields of one message a page shows.
const shownFields = 10

// Told are the fields that have a value, as many as a page shows.
func (m *Message) Told() []MessageField {
	told := m.told()
	return told[:min(len(told), shownFields)]
}

// Untold is how many fields with a value a page does not show.
func (m *Message) Untold() int { return max(0, len(m.told())-shownFields) }

func (m *Message) told() (list []MessageField) {
	for _, f := range m.Fields {
		if f.State == "" {
			list = append(list, f)
		}
	}
	return list
}

// MessageField is one decoded field. Reserved fields are left out.
type MessageField struct {
	Key    string   `json:"key"`
	Name   string   `json:"name"`
	Text   string   `json:"text" doc:"For people: in knots, degrees, hectopascal."`
	Number *float64 `json:"number,omitempty" doc:"In the unit; absent when not available."`
	Unit   string   `json:"unit,omitempty" doc:"SI."`
	State  string   `json:"state,omitempty" doc:"Why there is no value: not available, out of range, reserved, missing."`
}

// Filter says which messages a reader wants. An empty key wants all.
type Filter struct {
	Network string `query:"network" maxLength:"64"`
	Device  string `query:"device" maxLength:"100"`
	PGN     uint32 `query:"pgn" maximum:"131071"`
}

func (f *Filter) wants(m *rawMessage) bool {
	return (f.Network == "" || f.Network == m.network) && (f.Device == "" || f.Device == m.device) && (f.PGN == 0 || f.PGN == m.id.PGN())
}

// Since lists the kept messages with a number above after, oldest first, of them the latest most, 0 for all; seen is the latest number
// there was, and lost is how many of those asked for are no longer kept. The messages are shared: read-only.
func (t *Traffic) Since(after uint64, f Filter, most int) (list []*Message, seen, lost uint64) {
	t.reading.Lock()
	defer t.reading.Unlock()
	from, lost := t.catchUp(after)
	for n := t.upTo; n > from && (most == 0 || len(list) < most); n-- {
		if m := &t.taken[(n-1)%uint64(len(t.taken))]; f.wants(m) {
			list = append(list, t.message(m))
		}
	}
	slices.Reverse(list)
	return list, t.upTo - 1, lost
}

// Newest is like Since, but of each device, number and instance lists only the last message.
func (t *Traffic) Newest(after uint64, f Filter) (list []*Message, seen uint64) {
	t.reading.Lock()
	defer t.reading.Unlock()
	type key struct {
		network, device string
		pgn             uint32
		instance        int
	}
	last := map[key]uint64{}
	from, _ := t.catchUp(after)
	for n := from; n < t.upTo; n++ {
		m := &t.taken[n%uint64(len(t.taken))]
		if !f.wants(m) {
			continue
		}
		k := key{m.network, m.device, m.id.PGN(), -1}
		if i, ok := pgn.Lookup(k.pgn).For(m.data).Instance(m.data); ok {
			k.instance = int(i)
		}
		last[k] = n
	}
	for _, n := range slices.Sorted(maps.Values(last)) {
		list = append(list, t.message(&t.taken[n%uint64(len(t.taken))]))
	}
	return list, t.upTo - 1
}

// Latest is the number of the latest message, 0 before the first.
func (t *Traffic) Latest() uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.next - 1
}

// catchUp takes a copy of what came since the last call and tells the first number behind after that is kept, and how many were not.
func (t *Traffic) catchUp(after uint64) (from, lost uint64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	keep := uint64(len(t.ring))
	oldest := t.next - min(t.next-1, keep)
	for n := max(t.upTo, oldest); n < t.next; n++ {
		to, from := &t.taken[n%keep], &t.ring[n%keep]
		data := append(to.data[:0], from.data...)
		*to = *from
		to.data = data
		t.decoded[n%keep] = nil
	}
	t.upTo = t.next
	if from = after + 1; from < oldest {
		if after > 0 {
			lost = oldest - from
		}
		from = oldest
	}
	return from, lost
}

// message is the decoded message of r.
func (t *Traffic) message(r *rawMessage) *Message {
	m := &t.decoded[r.number%uint64(len(t.decoded))]
	if *m == nil {
		*m = t.decode(r)
	}
	return *m
}

func (t *Traffic) decode(r *rawMessage) *Message {
	m := &Message{Number: r.number, Time: r.time, Network: r.network, Device: r.device, Source: r.id.Source(), Destination: r.to,
		Priority: r.id.Priority(), PGN: r.id.PGN(), Data: strings.ToUpper(hex.EncodeToString(r.data))}
	if def := pgn.Lookup(m.PGN).For(r.data); def != nil {
		m.Title = def.Title
		if n, ok := def.Instance(r.data); ok {
			m.Instance = &n
		}
		t.values, _ = def.Decode(r.data, t.values) // what stands before a damaged string is shown
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
	f := MessageField{Key: v.Field.Key, Name: v.Field.Name, Text: humane(v), Unit: v.Field.Unit}
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

// humane writes a value in the units that people aboard use; a field of another unit as the message set writes it.
func humane(v *pgn.Value) string {
	if v.State == pgn.Available && v.Of == nil {
		if text := inUnit(v.Number, v.Field.Unit); text != "" {
			return text
		}
	}
	return boat.Printable(v.String())
}

// inUnit writes a number of an SI unit, or of degrees of a position, in the unit that people aboard use; "" when it is used as it is.
func inUnit(n float64, unit string) string {
	switch unit {
	case "rad":
		return fmt.Sprintf("%.1f°", n*180/math.Pi)
	case "rad/s":
		return fmt.Sprintf("%.1f°/min", n*180/math.Pi*60)
	case "K":
		return fmt.Sprintf("%.1f °C", n-273.15)
	case "Pa":
		return fmt.Sprintf("%.1f hPa", n/100)
	case "m/s":
		return fmt.Sprintf("%.2f kn", n*3600/1852)
	case "deg": // seven digits are a centimetre, however fine the field is
		return strconv.FormatFloat(math.Round(n*1e7)/1e7, 'f', -1, 64) + "°"
	case "m":
		return strconv.FormatFloat(math.Round(n*1e3)/1e3, 'f', -1, 64) + " m"
	}
	return ""
}
