package boat

import (
	"cmp"
	"fmt"
	"math/bits"
	"slices"
	"time"

	"muster/internal/event"
	"muster/internal/quantity"
	"muster/pgn"
)

// How much of the past of one device is kept.
const (
	maxAddresses = 16
	maxSoftware  = 16
	maxRestarts  = 8
	maxMoves     = 32
	maxSpans     = 16
)

// device is one NAME on one network, or an address without a claim.
type device struct {
	net            *network
	sender         Sender
	named          bool
	address        uint8 // pgn.Null when it has none
	cannot         bool  // announced that it cannot claim an address
	addresses      []AddressUse
	firstSeen      event.Time
	lastSeen       event.Time
	from           event.Time // since when it has sent without a break
	heardOn        []Span     // before that
	since          event.Time // since when it is present, or without an address
	claimed        event.Time // last claim
	restartAt      event.Time
	lost           uint8   // the address that it claimed last and another one has; pgn.Null for none
	loser          *device // that claimed its address last, while it kept or took it; nil for none
	back           bool    // it was off for a while before it was first received: recorded as off, or late
	restarts       int
	restarted      []event.Time
	moves          []event.Time // changes of address, latest maxMoves
	heldAt         []uint8      // addresses that the NAME holds in turn with others
	duplicateSince event.Time
	duplicateLast  event.Time
	duplicateOf    *device // for a provisional device: the NAME that sent from here and claims elsewhere
	identity       identity
	slots          []slot
	used           int
	streams        []*stream // sorted by PGN, then instance
	unanswered     string
	beat           *beat   // nil until it sends a heartbeat
	fast           uint32  // fast packets of any PGN
	singles        uint32  // numbered single frames of any PGN
	source         *source // nil until it measures something
}

// slot finds the streams of one PGN; the table is a power of two, probed in line, never more than half full.
type slot struct {
	key   uint32 // PGN + 1, 0 when free
	first *stream
}

// stream is one PGN of one device, one instance of it when it has instances.
type stream struct {
	spans
	pgn          uint32
	def          *pgn.Definition // nil when the PGN is not in the message set
	key          instanceKey
	split        bool       // the PGN has instances
	next         *stream    // another instance of the same PGN
	lastValue    event.Time // when a value was last available
	emptySince   event.Time
	everValue    bool
	everEmpty    bool
	take         take              // nil for what measures nothing
	volts        *quantity.History // nil for other messages
	waits        *quantity.History // intervals in s, of a message that a State showed to be slow; else nil
	nominalVolts float64           // of a battery; 0 when not reported
	chemistry    uint8             // of a battery: its code and one; 0 when not reported
	bytes        uint64            // of all its messages
	sent         uint32            // fast packets, or numbered single frames, that the device had sent by its latest
	sharing      sharing           // of its sequence counter
	sid          sidPlace          // of that of single frames
	codes        uint64            // of the single frames whose counter it is
	doubled      *doubled          // nil for messages in which no second sender is looked for
	mixture      *mixture          // nil unless the message is of several quantities
}

// mixture is which measures a message of several quantities gave values of.
type mixture struct {
	ever uint32 // one bit a measure
	last [measureCount]event.Time
}

// instanceKey separates the streams of one PGN. A selector is what makes an instance unique where the number alone
// does not: the fluid of a level, the source of a temperature.
type instanceKey struct {
	instance, selector       uint8
	hasInstance, hasSelector bool
}

func keyOf(def *pgn.Definition, data []byte) (k instanceKey) {
	k.instance, k.hasInstance = def.Instance(data)
	k.selector, k.hasSelector = def.Selector(data)
	return k
}

func (k instanceKey) order() int {
	n := 0
	if k.hasInstance {
		n = (int(k.instance) + 1) << 9
	}
	if k.hasSelector {
		n |= int(k.selector) + 1
	}
	return n
}

// hear counts one message of the device d, and takes what it measures.
func (s *stream) hear(d *device, data []byte, t event.Time) {
	before := s.last
	s.add(t)
	s.bytes += uint64(len(data))
	if s.def == nil {
		return
	}
	if s.sid.numbered {
		s.numbered(d, data, t)
	}
	if s.doubled != nil {
		s.doubled.hear(data, t)
	}
	if s.waits != nil && t > before && before != 0 {
		s.waits.Put(quantity.Step{At: t, Value: t.Sub(before).Seconds()})
	}
	if s.def.Available(data) {
		s.lastValue, s.emptySince, s.everValue = t, 0, true
	} else {
		s.everEmpty = true
		if s.emptySince == 0 {
			s.emptySince = t
		}
	}
	if s.take != nil {
		s.measure(d, data, t)
	}
}

// measure takes what a message measures.
func (s *stream) measure(d *device, data []byte, t event.Time) {
	if d.source == nil {
		d.source = &source{net: d.net, d: d}
	}
	d.source.touched = 0
	s.take(d.source, s, data, t)
	if x := s.mixture; x != nil {
		x.ever |= d.source.touched
		for left := d.source.touched; left != 0; left &= left - 1 {
			x.last[bits.TrailingZeros32(left)] = t
		}
	}
}

func newDevice(n *network, address uint8, name pgn.NAME, named bool, t event.Time) *device {
	d := &device{net: n, address: address, lost: pgn.Null, named: named, firstSeen: t, lastSeen: t, from: t, since: t}
	d.sender.NAME = name
	d.slots = make([]slot, 16)
	d.nameIt()
	return d
}

// nameIt sets what callers call the device by.
func (d *device) nameIt() {
	d.sender.Network, d.sender.Address = d.net.info.ID, d.address
	if d.named {
		if d.sender.ID == "" {
			d.sender.ID = d.sender.NAME.String()
		}
		d.sender.Own = slices.Contains(d.net.boat.opt.Own, d.sender.NAME)
	} else {
		d.sender.ID = fmt.Sprintf("%s/%d", d.net.info.ID, d.address)
	}
}

// stream finds the stream of a message or begins it; nil when memory's bound is reached.
func (d *device) stream(number uint32, data []byte) *stream {
	mask := uint32(len(d.slots) - 1)
	i := number * 0x9E3779B1 >> 16 & mask
	for d.slots[i].key != number+1 {
		if d.slots[i].key == 0 {
			return d.newStream(number, data)
		}
		i = (i + 1) & mask
	}
	s := d.slots[i].first
	if !s.split {
		return s
	}
	k := keyOf(s.def, data)
	for s != nil && s.key != k {
		s = s.next
	}
	if s == nil {
		return d.newStream(number, data)
	}
	return s
}

func (d *device) newStream(number uint32, data []byte) *stream {
	if len(d.streams) >= d.net.boat.opt.MaxStreams || d.net.streams >= d.net.boat.opt.MaxNetStreams {
		return nil
	}
	s := &stream{pgn: number, def: pgn.Lookup(number), take: takes[number]}
	s.split = s.def.Field("instance") != nil
	if s.split {
		s.key = keyOf(s.def, data)
	}
	if s.sid = sidOf(s.def); mixed(number) {
		s.mixture = &mixture{}
	}
	d.addStream(s)
	if s.watch(); d.twoSenders() {
		s.rivalled(d.loser.interval(s))
	}
	d.net.streams++
	return s
}

// addStream puts a new stream into the table and the order.
func (d *device) addStream(s *stream) {
	at, _ := slices.BinarySearchFunc(d.streams, s, compareStreams)
	d.streams = slices.Insert(d.streams, at, s)
	for i := range d.slots {
		if d.slots[i].key == s.pgn+1 {
			s.next, d.slots[i].first = d.slots[i].first, s
			return
		}
	}
	d.used++
	if 2*d.used > len(d.slots) {
		old := d.slots
		d.slots = make([]slot, 2*len(old))
		for _, e := range old {
			if e.key != 0 {
				d.place(e)
			}
		}
	}
	d.place(slot{key: s.pgn + 1, first: s})
}

func (d *device) place(e slot) {
	mask := uint32(len(d.slots) - 1)
	i := (e.key - 1) * 0x9E3779B1 >> 16 & mask
	for d.slots[i].key != 0 {
		i = (i + 1) & mask
	}
	d.slots[i] = e
}

func compareStreams(a, b *stream) int {
	return cmp.Or(int(a.pgn)-int(b.pgn), a.key.order()-b.key.order())
}

// heard notes that the device sent at t.
func (d *device) heard(t event.Time) {
	if t == 0 {
		return
	}
	if t.Sub(d.lastSeen) > d.net.boat.opt.SilentAfter && d.silentAt(t) != 0 {
		d.since = t
		d.begin(t)
	}
	d.lastSeen = t
	if d.firstSeen == 0 {
		d.firstSeen, d.from, d.since = t, t, t
	}
}

// begin notes that the device sends again at t after a break, or under a NAME that its unit had left.
func (d *device) begin(t event.Time) {
	if d.heardOn == nil {
		d.heardOn = make([]Span, 0, maxSpans+1)
	}
	if d.from != 0 {
		d.heardOn = lastOf(append(d.heardOn, Span{d.from, d.lastSeen}), maxSpans)
	}
	d.from = t
}

// silentAt is since when the device counts as silent at the time now, 0 when it does not.
//
// A device is silent when it has not sent for SilentIntervals of its usual intervals, at least SilentAfter. One that
// sends nothing by itself has no usual interval; it is silent when it left a request to all for their claims
// unanswered, which every device must answer.
func (d *device) silentAt(now event.Time) event.Time {
	opt := &d.net.boat.opt
	if now.Sub(d.lastSeen) <= opt.SilentAfter {
		return 0
	}
	if usual := d.usualInterval(); usual > 0 {
		limit := max(opt.SilentAfter, time.Duration(opt.SilentIntervals)*usual)
		if now.Sub(d.lastSeen) > limit {
			return d.lastSeen.Add(limit)
		}
		return 0
	}
	if asked := d.net.askedAll; asked > d.lastSeen && now.Sub(asked) > opt.SilentAfter {
		return asked.Add(opt.SilentAfter)
	}
	return 0
}

// usualInterval is the interval of the fastest message that the device sends by itself and regularly, 0 when there is none.
func (d *device) usualInterval() time.Duration {
	usual := time.Duration(0)
	for _, s := range d.streams {
		if s.n < 2 || s.recent <= 0 || !periodic(s) {
			continue
		}
		if r := max(s.recent, s.nominal()); usual == 0 || r < usual {
			usual = r
		}
	}
	return usual
}

// nominal is the published interval, 0 when there is none.
func (s *stream) nominal() time.Duration {
	if s.def == nil {
		return 0
	}
	return s.def.Interval
}

// periodic reports whether a message comes by the clock: it has a published interval, or, when it is not in the
// message set, ten intervals have shown one.
func periodic(s *stream) bool {
	if s.def != nil && !pgn.Proprietary(s.pgn) {
		return s.nominal() > 0
	}
	if s.n < 10 {
		return false
	}
	mean, sd := s.moments()
	return sd < mean/2
}

// state is the device's state at the time now and since when.
func (d *device) state(now event.Time) (DeviceState, event.Time) {
	silent := d.silentAt(now)
	switch {
	case silent != 0 && now.Sub(d.lastSeen) > d.net.boat.opt.GoneAfter:
		return Gone, max(silent, d.lastSeen.Add(d.net.boat.opt.GoneAfter))
	case d.cannot:
		return NoAddress, d.since
	case silent != 0:
		return Silent, silent
	case !d.named:
		return Provisional, d.since
	}
	return Present, d.since
}
