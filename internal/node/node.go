// Package node is one presence on an NMEA 2000 backbone: it claims an address, answers, and asks.
//
// A Node is a pure state machine for one NAME on one network. It has no goroutine and no clock: the caller feeds it frames and
// ticks with their times and carries its frames to the bus.
package node

import (
	"math/rand/v2"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// The messages of network management (ISO 11783-5, SAE J1939-21 and -81, and the NMEA public list).
const (
	pgnAck       = 59392
	pgnRequest   = 59904
	pgnClaim     = 60928
	pgnCommanded = 65240
	pgnGroup     = 126208
	pgnList      = 126464
	pgnHeartbeat = 126993
	pgnProduct   = 126996
	pgnConfig    = 126998
)

// ClaimWait is how long a node listens after a claim before it may send anything else (ISO 11783-5).
const ClaimWait = 250 * time.Millisecond

// Outbox holds the frames that a node has to send, oldest first. The caller owns it, sends Frames and then calls
// Reset.
type Outbox struct {
	Frames []can.Frame
}

// Reset empties the outbox and keeps its memory.
func (o *Outbox) Reset() { o.Frames = o.Frames[:0] }

// Faults are ways of misbehaving that only simulated devices have. The zero value behaves.
type Faults struct {
	Ignore      []uint32 // messages whose requests are neither answered nor refused
	HalfProduct bool     // stops in the middle of product information
	Stubborn    bool     // claims its first address again and again however often it loses it
	Deaf        bool     // goes on sending from an address that it lost
	Unclaimed   bool     // sends from its address without a claim for it
}

// Options describe a node. The zero value of every optional field is usable.
type Options struct {
	Name         pgn.NAME
	Address      uint8                  // the address to claim first
	Survey       bool                   // ask who is there before the first claim and so avoid a contest
	Product      pgn.ProductInformation // without a Model, product information is not supported
	Installation pgn.ConfigurationInformation
	Transmits    []uint32      // messages sent besides those of network management
	Receives     []uint32      //
	Heartbeat    time.Duration // 0 is the standard's 60 s; negative is none
	Commandable  bool          // lets others change instances and descriptions
	Seed         uint64        // for the random delays
	Faults       Faults

	// Send is called when a supported message of Transmits is requested; it puts the message into the outbox by Node.Send and
	// reports whether it did. Nil refuses.
	Send func(now event.Time, number uint32, dst uint8) bool
	// Message is called with every complete message that came to this node by ISO transport. The data is valid until it returns.
	Message func(now event.Time, number uint32, src, dst uint8, data []byte)
	// Changed is called after a command changed an instance or a description.
	Changed func(now event.Time)
}

// State is how far a node is with its address.
type State uint8

// The states of a node.
const (
	Off       State = iota // not started, or stopped
	Surveying              // asked who is there
	Claiming               // claimed, and waits whether anybody objects
	Claimed                // has its address
	Delaying               // waits a random while before it announces that it has none
	Unclaimed              // announced that it cannot claim an address
)

var stateNames = [...]string{"off", "surveying", "claiming", "claimed", "delaying", "unclaimed"}

// String is the state's name in lower case.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return "unknown"
}

// Stats counts what happened to a node since New.
type Stats struct {
	Claims     uint64 // claims sent
	Lost       uint64 // addresses lost to a lower NAME
	Duplicates uint64 // claims of our own NAME by another
	Answers    uint64 // messages sent in answer to a request
	Refused    uint64 // negative acknowledgments and refusing group acknowledgments sent
	Withheld   uint64 // answers left out to keep a flood of requests from becoming a flood of answers
	Malformed  uint64 // management messages that could not be read
	Sessions   uint64 // ISO transport sessions that failed
}

// Node is one NAME on one network. Its methods are not safe for concurrent use.
type Node struct {
	opts      Options
	out       *Outbox // the caller's
	rng       *rand.Rand
	state     State
	addr      uint8 // the address claimed, or Null
	last      uint8 // the address to try next
	stats     Stats
	duplicate event.Time // when our NAME was last claimed by another

	owners Addresses
	until  event.Time // end of the state Surveying, Claiming or Delaying

	beatAt  event.Time
	beatSeq uint8

	answers bucket // frames that may go out as answers
	claims  bucket // claims that may go out in defence or as answers
	owed    bool   // a claim is due as soon as claims has room

	msgs carrier
	buf  []byte
}

// The answers of a node are bounded whatever it is asked: about 2 % of a 250 kbit/s bus, with room to answer everything once at once.
const (
	answerBurst = 150 // frames
	answerRate  = 40  // frames/s
	claimBurst  = 12  // claims
	claimRate   = 4   // claims/s
)

// New makes a node that is off. out receives its frames.
func New(opts Options, out *Outbox) *Node {
	if opts.Heartbeat == 0 {
		opts.Heartbeat = 60 * time.Second
	}
	n := &Node{opts: opts, out: out, rng: rand.New(rand.NewPCG(opts.Seed, uint64(opts.Name))), addr: pgn.Null, last: opts.Address}
	n.answers = bucket{level: answerBurst, burst: answerBurst, rate: answerRate}
	n.claims = bucket{level: claimBurst, burst: claimBurst, rate: claimRate}
	return n
}

// Name is the node's NAME, which a command may have changed.
func (n *Node) Name() pgn.NAME { return n.opts.Name }

// Address is the claimed address and whether the node may use it.
func (n *Node) Address() (uint8, bool) { return n.addr, n.state == Claimed }

// State is how far the node is with its address.
func (n *Node) State() State { return n.state }

// Stats returns the counters.
func (n *Node) Stats() Stats { return n.stats }

// Duplicate is when another last claimed this node's NAME; zero when none did.
func (n *Node) Duplicate() event.Time { return n.duplicate }

// Product returns what the node answers as product information.
func (n *Node) Product() pgn.ProductInformation { return n.opts.Product }

// SetProduct changes what the node answers.
func (n *Node) SetProduct(p pgn.ProductInformation) { n.opts.Product = p }

// Installation returns what the node answers as configuration information.
func (n *Node) Installation() pgn.ConfigurationInformation { return n.opts.Installation }

// SetInstallation changes what the node answers.
func (n *Node) SetInstallation(i pgn.ConfigurationInformation) { n.opts.Installation = i }

// SetFaults changes how the node misbehaves.
func (n *Node) SetFaults(f Faults) { n.opts.Faults = f }

// SetName gives the node another NAME; it claims again when it is on.
func (n *Node) SetName(now event.Time, name pgn.NAME) {
	n.opts.Name = name
	if n.state != Off {
		n.claim(now, n.last)
	}
}

// Move gives the node another address; it claims it when it is on, and else when it starts.
func (n *Node) Move(now event.Time, addr uint8) {
	n.last = addr
	if n.state != Off {
		n.claim(now, addr)
	}
}

// Start switches the node on: it claims the address it last had.
func (n *Node) Start(now event.Time) {
	n.owners = Addresses{}
	n.msgs.reset()
	n.owed = false
	if n.opts.Survey {
		n.addr = pgn.Null
		n.state, n.until = Surveying, now.Add(ClaimWait)
		n.emit(6, pgnRequest, pgn.Null, pgn.Global, []byte{pgnClaim & 0xFF, pgnClaim >> 8, 0})
		return
	}
	n.claim(now, n.last)
}

// Stop switches the node off, as a cut of its power does: it sends nothing more.
func (n *Node) Stop() {
	n.state, n.addr, n.owed = Off, pgn.Null, false
	n.msgs.reset()
}

// Feed hands the node a frame of the bus. Frames that the node itself sent must not be fed back to it.
func (n *Node) Feed(now event.Time, f *can.Frame) {
	if n.state == Off || !f.IsExtended || f.IsRemote || f.Length > 8 {
		return
	}
	id := pgn.ID(f.ID)
	if !id.Addressed() {
		return
	}
	dst := id.Destination()
	if dst != pgn.Global && (n.state != Claimed || dst != n.addr) {
		return
	}
	n.advance(now)
	p := f.Data[:f.Length]
	switch id.PGN() {
	case pgnClaim:
		n.heardClaim(now, id.Source(), p)
	case pgnRequest:
		if len(p) < 3 {
			n.stats.Malformed++
			return
		}
		n.requested(now, uint32(p[0])|uint32(p[1])<<8|uint32(p[2])<<16, id.Source(), dst)
	case pgnGroup:
		if m := n.msgs.assemble(now, f); m != nil {
			n.group(now, m.Data, id.Source(), dst)
		}
	case transport.PGNControl, transport.PGNData:
		n.heardISO(now, f)
	}
}

// Tick lets time pass. Calling it more or less often than Next asks for changes only how late the node acts.
func (n *Node) Tick(now event.Time) {
	if n.state == Off {
		return
	}
	n.advance(now)
	if n.state == Claimed && n.opts.Heartbeat > 0 && now >= n.beatAt {
		n.beatAt = now.Add(n.opts.Heartbeat)
		n.sendHeartbeat(n.beatSeq)
		n.beatSeq = (n.beatSeq + 1) % 253
	}
	n.carry(now)
}

// Next is the earliest time at which the node needs a Tick; zero when it waits for nothing.
func (n *Node) Next() event.Time {
	if n.state == Off {
		return 0
	}
	t := event.Time(0)
	switch n.state {
	case Surveying, Claiming, Delaying:
		t = n.until
	case Claimed:
		if n.opts.Heartbeat > 0 {
			t = n.beatAt
		}
		t = earliest(t, n.msgs.wake())
	}
	if n.owed {
		t = earliest(t, n.claims.ready(1))
	}
	return t
}

func earliest(a, b event.Time) event.Time {
	if a == 0 || b != 0 && b < a {
		return b
	}
	return a
}

// Send puts one message into the outbox: as a single frame, as a fast packet where the message set requires it, or by
// ISO transport when it is longer. It reports false when the node has no address or the message cannot be carried.
func (n *Node) Send(now event.Time, priority uint8, number uint32, dst uint8, data []byte) bool {
	if n.state != Claimed {
		return false
	}
	switch {
	case len(data) == 0:
		return false
	case pgn.TransportOf(number) == pgn.Fast && len(data) <= transport.MaxFast:
		n.emitFast(priority, number, dst, data)
	case len(data) <= 8:
		n.emit(priority, number, n.addr, dst, data)
	default:
		return n.SendISO(now, number, dst, data)
	}
	return true
}

// emit puts one frame into the outbox.
func (n *Node) emit(priority uint8, number uint32, src, dst uint8, data []byte) {
	f := can.Frame{ID: uint32(pgn.MakeID(priority, number, src, dst)), IsExtended: true, Length: uint8(len(data))}
	copy(f.Data[:], data)
	n.out.Frames = append(n.out.Frames, f)
}

// bucket is a token bucket in event time.
type bucket struct {
	level, burst, rate float64
	at                 event.Time
}

func (b *bucket) fill(now event.Time) {
	if b.at != 0 && now > b.at {
		b.level = min(b.burst, b.level+b.rate*now.Sub(b.at).Seconds())
	}
	b.at = now
}

// take uses up cost when there is room for it.
func (b *bucket) take(now event.Time, cost float64) bool {
	b.fill(now)
	if b.level < cost {
		return false
	}
	b.level -= cost
	return true
}

// ready is when take(cost) will succeed.
func (b *bucket) ready(cost float64) event.Time {
	if b.level >= cost {
		return b.at
	}
	return b.at.Add(time.Duration((cost-b.level)/b.rate*float64(time.Second)) + time.Millisecond)
}
