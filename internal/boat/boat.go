// Package boat is the model of one boat, moved only by the events it is fed.
package boat

import (
	"fmt"
	"time"

	"muster/internal/event"
	"muster/internal/nmea0183"
	"muster/internal/transport"
	"muster/pgn"
)

// Options are how to model a boat. The zero value of a field means its default.
type Options struct {
	ID, Name          string
	Clock             Clock                                  // where event times come from; default ClockUnset
	ManufacturerNames map[uint16]string                      // further manufacturer names; they win over the published list
	Own               []pgn.NAME                             // muster's own NAMEs
	OnMessage         func(m *transport.Message, by *Sender) // called for every whole message; both are valid during the call only
	OnSentence        func(s *nmea0183.Sentence, in Line)    // called for every sentence, spoilt ones too; s is valid during the call only

	SilentAfter     time.Duration // shortest silence that counts, however fast a device usually sends; default 10 s
	SilentIntervals int           // silence of this many usual intervals counts; default 3
	GoneAfter       time.Duration // default 10 min
	RequestWindow   time.Duration // a claim this soon after a request for it is an answer; default 2 s
	SettleTime      time.Duration // claims this soon after a restart belong to it; default 5 s
	MaxNetworks     int           // default 32
	MaxDevices      int           // per network; default 1024
	MaxStreams      int           // PGN and instance pairs per device; default 256
	MaxNetStreams   int           // the same per network; default 32768
	Assembly        transport.Options
	MaxTalkers      int    // per network; default 64
	MaxSentences    int    // per talker; default 128
	DefaultBitRate  uint32 // of an NMEA 2000 bus whose source does not report it; default 250000
}

// DefaultOptions are the limits used aboard.
func DefaultOptions() Options {
	return Options{
		Clock: ClockUnset, SilentAfter: 10 * time.Second, SilentIntervals: 3, GoneAfter: 10 * time.Minute,
		RequestWindow: 2 * time.Second, SettleTime: 5 * time.Second, MaxNetworks: 32, MaxDevices: 1024, MaxStreams: 256,
		MaxNetStreams: 32768, Assembly: transport.DefaultOptions(), MaxTalkers: 64, MaxSentences: 128, DefaultBitRate: 250_000,
	}
}

func orDefault[T comparable](v *T, d T) {
	var zero T
	if *v == zero {
		*v = d
	}
}

func (o Options) withDefaults() Options {
	d := DefaultOptions()
	orDefault(&o.Clock, d.Clock)
	orDefault(&o.SilentAfter, d.SilentAfter)
	orDefault(&o.SilentIntervals, d.SilentIntervals)
	orDefault(&o.GoneAfter, d.GoneAfter)
	orDefault(&o.RequestWindow, d.RequestWindow)
	orDefault(&o.SettleTime, d.SettleTime)
	orDefault(&o.MaxNetworks, d.MaxNetworks)
	orDefault(&o.MaxDevices, d.MaxDevices)
	orDefault(&o.MaxStreams, d.MaxStreams)
	orDefault(&o.MaxNetStreams, d.MaxNetStreams)
	orDefault(&o.MaxTalkers, d.MaxTalkers)
	orDefault(&o.MaxSentences, d.MaxSentences)
	orDefault(&o.DefaultBitRate, d.DefaultBitRate)
	return o
}

// Sender is the device that sent a message.
type Sender struct {
	ID      string   // as in the report
	Network string   // id of its network
	NAME    pgn.NAME // 0 while the address is not claimed
	Address uint8
	Own     bool
}

// Line is where and when a sentence came.
type Line struct {
	Network string // id of its network
	Time    event.Time
	Sent    bool // by the line's source, as a query is; it is no traffic of the line's talkers
}

// Boat models one boat. It reads no clock: time moves by what it is fed and by Tick. Not safe for concurrent use.
type Boat struct {
	opt       Options
	nets      []*network    // by number within the stream; nil where nothing came yet
	from, to  event.Time    // span of event times seen
	moved     time.Duration // by which Shift moved them
	now       event.Time
	manual    []Manual
	decisions []Decision
	sources   sourceBook
	past      map[pastKey]*Past
	lengths   transport.Lengths
}

// New returns a boat of which nothing is known yet.
func New(opt Options) *Boat { return &Boat{opt: opt.withDefaults()} }

// Now is the boat's present moment: the latest event or tick.
func (b *Boat) Now() event.Time { return b.now }

// SetManual replaces the devices entered by hand. The boat keeps the slice.
func (b *Boat) SetManual(devices []Manual) { b.manual = devices }

// SetDecisions replaces what was decided by hand about which presences are one unit. The boat keeps the slice.
func (b *Boat) SetDecisions(list []Decision) { b.decisions = list }

// SetOwn replaces the NAMEs of our own presences. Devices that claimed already keep what they were.
func (b *Boat) SetOwn(names []pgn.NAME) { b.opt.Own = names }

// Drop forgets a network, as when it is not listened to any more. Its number may be used again.
func (b *Boat) Drop(number uint16) {
	if int(number) < len(b.nets) && b.nets[number] != nil {
		b.sources.drop(b.nets[number])
		b.nets[number] = nil
	}
}

// Tick notes that event time has reached t though nothing was received. A time before the present is ignored.
func (b *Boat) Tick(t event.Time) {
	if t <= b.now {
		return
	}
	b.now = t
	if b.from != 0 {
		b.to = max(b.to, t)
	}
}

// Feed takes the next events, in their order. None is kept.
func (b *Boat) Feed(events ...event.Event) {
	for i := range events {
		ev := &events[i]
		var n *network
		if k := int(ev.Network); k < len(b.nets) && ev.Kind != event.KindNetwork {
			n = b.nets[k]
		}
		if n == nil {
			if n = b.network(ev); n == nil {
				continue
			}
		}
		if t := ev.Time; t >= n.last && t >= b.now && t >= b.to && t < n.turn { // as nearly always
			n.last, b.now, b.to = t, t, t
		} else if t != 0 {
			b.advance(n, t)
		}
		switch ev.Kind {
		case event.KindFrame:
			n.frame(ev)
		case event.KindLine:
			n.line(ev)
		default:
			n.happening(ev)
		}
	}
}

// network takes a network's introduction, or makes one for a stream that did not introduce it.
func (b *Boat) network(ev *event.Event) *network {
	i := int(ev.Network)
	if i >= b.opt.MaxNetworks || ev.Kind == event.KindNone {
		return nil
	}
	for len(b.nets) <= i {
		b.nets = append(b.nets, nil)
	}
	if b.nets[i] == nil {
		kind := event.NMEA2000
		if ev.Kind == event.KindLine {
			kind = event.NMEA0183
		}
		b.nets[i] = newNetwork(b, event.Network{ID: fmt.Sprintf("net%d", i), Kind: kind})
	}
	if ev.Kind == event.KindNetwork && ev.Info != nil {
		b.nets[i].introduce(*ev.Info)
	}
	return b.nets[i]
}

// stepBack is the smallest backward jump of a network's stamps that moves the present back; smaller ones are out of order stamps.
const stepBack = time.Second

// advance moves the present to t, which a stamp of network n shows.
func (b *Boat) advance(n *network, t event.Time) {
	if t < n.last {
		n.faults.TimeJumps++
		n.back = max(n.back, n.last.Sub(t))
		if n.last.Sub(t) >= stepBack {
			n.stepBack(t)
			b.now = t
		}
	}
	if n.last == 0 {
		n.begin(t)
	} else {
		n.ahead = max(n.ahead, t.Sub(n.last))
	}
	n.last = t
	if t >= n.turn {
		n.turnOver(t)
	}
	if t > b.now {
		b.now = t
	}
	if t > b.to {
		b.to = t
	}
	if b.from == 0 || t < b.from {
		b.from = t
	}
}

// GaveUp notes why asking a device for its identity was given up. It holds until the device identifies itself.
func (b *Boat) GaveUp(number uint16, name pgn.NAME, why string) {
	if int(number) >= len(b.nets) || b.nets[number] == nil {
		return
	}
	if d := b.nets[number].byName[name]; d != nil {
		d.unanswered = why
	}
}
