package transport

import (
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/pgn"
)

// Options bounds an Assembler. The zero value of a field means its default.
type Options struct {
	MaxFast     int           // fast packet messages open at once; default 1024
	MaxISO      int           // ISO transfers open at once; default 256
	FastTimeout time.Duration // between two frames of a fast packet; default 750 ms (open device stacks agree)
	BAMTimeout  time.Duration // between two packets of a broadcast; default 750 ms (T1 in the kernel's J1939 stack)
	RTSTimeout  time.Duration // between two signs of life of a connection; default 1250 ms (T2, T3 of Linux J1939)
}

// DefaultOptions are the bounds used aboard.
func DefaultOptions() Options {
	return Options{MaxFast: 1024, MaxISO: 256, FastTimeout: 750 * time.Millisecond, BAMTimeout: 750 * time.Millisecond,
		RTSTimeout: 1250 * time.Millisecond}
}

func (o Options) withDefaults() Options {
	d := DefaultOptions()
	if o.MaxFast <= 0 {
		o.MaxFast = d.MaxFast
	}
	if o.MaxISO <= 0 {
		o.MaxISO = d.MaxISO
	}
	o.MaxFast, o.MaxISO = min(o.MaxFast, maxSlots), min(o.MaxISO, maxSlots)
	if o.FastTimeout <= 0 {
		o.FastTimeout = d.FastTimeout
	}
	if o.BAMTimeout <= 0 {
		o.BAMTimeout = d.BAMTimeout
	}
	if o.RTSTimeout <= 0 {
		o.RTSTimeout = d.RTSTimeout
	}
	return o
}

// Assembler turns the frames of one network into messages. It only listens. Its memory is bounded: when all places are taken, the
// message that has waited longest for its next frame is given up. Not safe for concurrent use.
type Assembler struct {
	opt   Options
	class *classes
	fast  fastTable
	iso   isoTable
	lost  lostTable
	last  event.Time // latest time seen, 0 before the first
	msg   Message
	count Counters
	fails uint64 // sum of count
}

// NewAssembler returns an Assembler for one network.
func NewAssembler(opt Options) *Assembler {
	a := &Assembler{opt: opt.withDefaults(), class: sharedClasses()}
	a.fast.init(a.opt.MaxFast)
	a.iso.init(a.opt.MaxISO)
	a.lost.init()
	return a
}

// Counters returns how many messages did not come whole, by reason.
func (a *Assembler) Counters() Counters { return a.count }

// Failures is the number of messages that did not come whole for any reason; it only grows.
func (a *Assembler) Failures() uint64 { return a.fails }

// Lost is how many fast packet messages of an address never came, as far as its sequence counters show it.
func (a *Assembler) Lost(source uint8) uint64 { return a.lost.senders[source].lost }

// Restarted notes a claim of the address: its sequence counters may begin again.
func (a *Assembler) Restarted(source uint8) { a.lost.restarted(source) }

// Interrupted notes that nothing was received for a while: what every address sent meanwhile is not lost on the
// backbone.
func (a *Assembler) Interrupted() {
	for source := range a.lost.senders {
		a.lost.restarted(uint8(source))
	}
}

func (a *Assembler) fail(r Reason) {
	a.count[r]++
	a.fails++
}

// Feed takes the next event and returns the message that it completes, or nil. Events that are not 29-bit data frames yield nil.
// The message is valid until the next call.
func (a *Assembler) Feed(ev *event.Event) *Message {
	f := &ev.Frame
	if ev.Kind != event.KindFrame || !f.IsExtended || f.IsRemote || f.Length > can.MaxDataLength {
		return nil
	}
	if ev.Time < a.last || a.Open() > 0 {
		a.Expire(ev.Time)
	} else {
		a.last = ev.Time
	}
	id := pgn.ID(f.ID)
	n := id.PGN()
	switch a.class.of(n) {
	case classFast:
		return a.feedFast(ev, id, n)
	case classControl:
		return a.feedControl(ev, id)
	case classData:
		return a.feedData(ev, id)
	}
	m := &a.msg
	m.Time, m.Network, m.ID, m.Destination, m.Frames = ev.Time, ev.Network, id, id.Destination(), 1
	m.Fast, m.Sequence = false, 0
	m.Data = f.Data[:f.Length:f.Length]
	return m
}

// Expire gives up what has waited too long at the time now. Feed does it by itself; a caller needs it only when the bus is quiet.
// A time earlier than the last restarts the waiting of everything open.
func (a *Assembler) Expire(now event.Time) {
	if now == 0 {
		return
	}
	if now < a.last {
		a.fast.restart(now)
		a.iso.restart(now)
	}
	a.last = now
	if a.fast.oldest != none {
		a.expireFast(now)
	}
	if a.iso.oldest != none {
		a.expireISO(now)
	}
}

// Open is the number of messages begun and not finished.
func (a *Assembler) Open() int { return a.fast.used + a.iso.used }

// Overdue counts what Expire would give up at the time now, without giving it up.
func (a *Assembler) Overdue(now event.Time) (c Counters) {
	t := &a.fast
	for i := t.oldest; i != none; i = t.links[i].newer {
		if t.messages[i].length != 0 && now.Sub(t.links[i].last) > a.opt.FastTimeout {
			c[FastTimeout]++
		}
	}
	u := &a.iso
	for i := u.oldest; i != none; i = u.links[i].newer {
		if u.messages[i].size != 0 && now.Sub(u.links[i].last) > a.isoLimit(i) {
			c[ISOTimeout]++
		}
	}
	return c
}
