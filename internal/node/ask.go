package node

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// AskOptions are the bounds on asking. The zero value of a field means its default.
type AskOptions struct {
	BitRate uint32        // of the bus; default 250 kbit/s
	Share   float64       // of the bus for our requests and their answers, 0..1; default 0.085: no second sees 0.10
	Timeout time.Duration // without a sign of the answer; default 1.25 s
	Tries   int           // requests before giving up; default 4
	Again   time.Duration // least time between asking a device everything and asking it again; default 30 s
}

func (o AskOptions) withDefaults() AskOptions {
	if o.BitRate == 0 {
		o.BitRate = 250_000
	}
	if o.Share <= 0 {
		o.Share = 0.085
	}
	if o.Timeout <= 0 {
		o.Timeout = 1250 * time.Millisecond
	}
	if o.Tries <= 0 {
		o.Tries = 4
	}
	if o.Again <= 0 {
		o.Again = 30 * time.Second
	}
	return o
}

// topics are what every device is asked, in this order, with the bits that an answer usually takes.
var topics = [...]struct {
	number  uint32
	reserve float64
}{
	{pgnProduct, 3000}, // 20 frames
	{pgnConfig, 1800},
	{pgnList, 1400}, // two messages
}

const (
	enough      = 3200                   // bits to have before a topic is asked: the dearest answer with its request
	little      = 500                    // bits to have before an address is asked for its claim
	maxTargets  = 512                    // devices remembered
	settleTime  = 300 * time.Millisecond // after a claim, before the device is asked anything
	solicited   = 1500 * time.Millisecond
	strangeTime = 2 * time.Second // an address that sends without a claim is asked for it after this time
)

// backOff is the wait after each try.
var backOff = [...]time.Duration{2 * time.Second, 10 * time.Second, 30 * time.Second}

type askState uint8

const (
	askWaiting askState = iota // to be asked at its time
	askOut                     // asked, no answer yet
	askDone
	askGivenUp
)

// question is one topic put to one device.
type question struct {
	state    askState
	tries    int
	at       event.Time // when to ask (waiting) or to stop waiting (out)
	reason   string
	reserved float64
	partial  bool // some of an answer came

	seq, next, total uint8 // the answer under way: sequence counter, next frame, bytes
	function, got    uint8 // PGN list: which list is under way, which came (bit 0 transmit, bit 1 receive)
}

// target is a device to be asked.
type target struct {
	name     pgn.NAME
	addr     uint8
	present  bool
	asked    event.Time // when it was last decided to ask it everything
	heard    event.Time // its last claim
	question [len(topics)]question
	out      int // the question outstanding, or -1
}

// AskStats counts what asking did.
type AskStats struct {
	Requests uint64
	Answers  uint64
	Refused  uint64
	Retries  uint64
	GivenUp  uint64
	Bits     uint64 // of our requests and of what came back, on the wire
}

// Unanswered is a question that was given up.
type Unanswered struct {
	Name    pgn.NAME
	Address uint8
	PGN     uint32
	Reason  string
}

// Asker asks every device on the network who it is: product information, configuration information and PGN lists. It paces itself,
// has one request outstanding per device at most, and never sends anything that changes a device. It drives a node of its own: feed
// frames and ticks to the Asker alone.
type Asker struct {
	node     *Node
	opts     AskOptions
	budget   bucket // bits
	targets  []*target
	byAddr   [256]*target
	strange  [254]question // addresses that send without a claim
	known    [254]bool     // a stranger's question is running
	asked    bool          // everybody was asked to claim
	claimsAt event.Time    // when claims were last asked for, by anybody
	next     event.Time
	stats    AskStats
	bus      traffic
}

// NewAsker makes an Asker that sends through n. The frames go to n's outbox.
func NewAsker(n *Node, opts AskOptions) *Asker {
	opts = opts.withDefaults()
	burst := 0.015 * float64(opts.BitRate)
	return &Asker{node: n, opts: opts, budget: bucket{level: burst, burst: burst,
		rate: opts.Share * float64(opts.BitRate)}}
}

// Node is the node that the Asker sends through.
func (a *Asker) Node() *Node { return a.node }

// Stats returns the counters.
func (a *Asker) Stats() AskStats { return a.stats }

// Start switches the node on.
func (a *Asker) Start(now event.Time) {
	a.node.Start(now)
	a.asked = a.node.State() == Surveying
	if a.asked {
		a.claimsAt = now
	}
	a.plan(now)
}

// Pending is how many questions have neither an answer nor been given up.
func (a *Asker) Pending() int {
	n := 0
	for _, t := range a.targets {
		for i := range t.question {
			if s := t.question[i].state; t.present && s != askDone && s != askGivenUp {
				n++
			}
		}
	}
	return n
}

// Unanswered lists what was given up, by NAME, then PGN.
func (a *Asker) Unanswered() []Unanswered {
	var list []Unanswered
	for _, t := range a.targets {
		for i := range t.question {
			if q := &t.question[i]; q.state == askGivenUp {
				list = append(list, Unanswered{Name: t.name, Address: t.addr, PGN: topics[i].number, Reason: q.reason})
			}
		}
	}
	slices.SortFunc(list, func(x, y Unanswered) int { return cmp.Or(cmp.Compare(x.Name, y.Name), cmp.Compare(x.PGN, y.PGN)) })
	return list
}

// Next is the earliest time at which Tick has something to do; zero when nothing waits.
func (a *Asker) Next() event.Time { return earliest(a.node.Next(), a.next) }

// Tick lets time pass.
func (a *Asker) Tick(now event.Time) {
	a.node.Tick(now)
	a.expire(now)
	a.ask(now)
	a.plan(now)
}

// Feed hands in a frame of the bus that we did not send.
func (a *Asker) Feed(now event.Time, f *can.Frame) {
	if !f.IsExtended || f.IsRemote || f.Length > 8 {
		return
	}
	if load, ok := a.bus.add(now, f, a.opts.BitRate); ok {
		a.budget.fill(now)
		a.budget.rate = a.opts.Share * float64(a.opts.BitRate) * room(load)
	}
	a.node.Feed(now, f)
	id := pgn.ID(f.ID)
	src := id.Source()
	p := f.Data[:f.Length]
	switch number := id.PGN(); number {
	case pgnClaim:
		a.heardClaim(now, src, p, f)
	case pgnRequest:
		if len(p) >= 3 && p[0] == pgnClaim&0xFF && p[1] == pgnClaim>>8 && p[2] == 0 {
			a.claimsAt = now
		}
	case pgnAck:
		if t := a.byAddr[src]; t != nil && len(p) >= 8 {
			a.refused(now, t, p[0], uint32(p[5])|uint32(p[6])<<8|uint32(p[7])<<16)
		}
	case pgnProduct, pgnConfig, pgnList:
		if t := a.byAddr[src]; t != nil && len(p) >= 2 {
			a.answer(now, t, number, p, f)
		}
	default:
		if src < 254 && a.byAddr[src] == nil && !a.known[src] {
			a.known[src] = true
			a.strange[src].at = now.Add(strangeTime) // the tries go on: two devices of one NAME would start them again for ever
			break
		}
		return // nothing changed
	}
	a.plan(now)
}

// heardClaim notes who is where and what to ask.
func (a *Asker) heardClaim(now event.Time, src uint8, p []byte, f *can.Frame) {
	name, ok := pgn.DecodeNAME(p)
	if !ok || name == a.node.Name() {
		return
	}
	expected := now.Sub(a.claimsAt) < solicited && a.claimsAt != 0
	if expected {
		a.spend(now, f)
	}
	if src < 254 {
		a.known[src] = false
	}
	i := slices.IndexFunc(a.targets, func(t *target) bool { return t.name == name })
	var t *target
	if i >= 0 {
		t = a.targets[i]
		if a.byAddr[t.addr] == t {
			a.byAddr[t.addr] = nil
		}
	} else {
		if t = a.newTarget(name); t == nil {
			return
		}
	}
	fresh := t.heard == 0
	if fresh && src < 254 {
		a.strange[src].tries = 0
	}
	moved := !fresh && t.addr != src
	t.heard = now
	if src > 253 {
		a.cancel(t)
		t.present, t.addr = false, src
		return
	}
	if loser := a.byAddr[src]; loser != nil && loser != t {
		a.cancel(loser)
		loser.present = false
	}
	if moved {
		a.cancel(t)
	}
	back := !t.present
	t.addr, t.present = src, true
	a.byAddr[src] = t
	if fresh || back || moved || !expected {
		a.again(now, t)
	}
}

func (a *Asker) newTarget(name pgn.NAME) *target {
	t := &target{name: name, addr: pgn.Null, out: -1}
	if len(a.targets) < maxTargets {
		a.targets = append(a.targets, t)
		return t
	}
	i := slices.IndexFunc(a.targets, func(t *target) bool { return !t.present })
	if i < 0 {
		return nil
	}
	a.targets[i] = t
	return t
}

// again asks a device everything again, but not more often than the options allow.
func (a *Asker) again(now event.Time, t *target) {
	at := now.Add(settleTime)
	if t.asked != 0 {
		at = max(at, t.asked.Add(a.opts.Again))
	}
	t.asked = at
	a.cancel(t)
	for i := range t.question {
		t.question[i] = question{at: at}
	}
}

// cancel forgets the request outstanding; it will be put again.
func (a *Asker) cancel(t *target) {
	if t.out >= 0 {
		q := &t.question[t.out]
		a.budget.level += q.reserved
		q.reserved, q.state = 0, askWaiting
		t.out = -1
	}
}

// spend books the bits of a frame that we caused.
func (a *Asker) spend(now event.Time, f *can.Frame) {
	bits := transport.FrameBits(f)
	a.stats.Bits += uint64(bits)
	a.budget.fill(now)
	a.budget.level -= float64(bits)
}

// answer follows the frames of an answer until it is complete. An answer to another node's request counts too.
func (a *Asker) answer(now event.Time, t *target, number uint32, p []byte, f *can.Frame) {
	i := slices.IndexFunc(topics[:], func(x struct {
		number  uint32
		reserve float64
	}) bool {
		return x.number == number
	})
	q := &t.question[i]
	if t.out == i {
		a.spend(now, f)
		q.partial = true
		q.at = now.Add(a.opts.Timeout)
	}
	seq, frame := p[0]>>5, p[0]&31
	switch {
	case frame == 0:
		q.seq, q.next, q.total = seq, 1, p[1]
		if len(p) > 2 {
			q.function = p[2]
		}
	case q.next == frame && q.seq == seq:
		q.next++
	default:
		q.next = 0
		return
	}
	if q.total == 0 || int(q.next)*7-1 < int(q.total) {
		return
	}
	if number == pgnList {
		q.got |= 1 << min(q.function, 7)
		if q.got&3 != 3 {
			return
		}
	}
	a.finish(t, i, askDone, "")
}

// finish ends a question for good.
func (a *Asker) finish(t *target, i int, state askState, reason string) {
	q := &t.question[i]
	if t.out == i {
		a.budget.level = min(a.budget.burst, a.budget.level+q.reserved)
		t.out = -1
	}
	switch {
	case state == askDone && q.state != askDone:
		a.stats.Answers++
	case state == askGivenUp:
		a.stats.GivenUp++
	}
	q.state, q.reason, q.reserved = state, reason, 0
}

// refused handles an ISO acknowledgment of our request.
func (a *Asker) refused(now event.Time, t *target, control uint8, number uint32) {
	if t.out < 0 || topics[t.out].number != number {
		return
	}
	a.stats.Refused++
	switch control {
	case AckNegative:
		a.finish(t, t.out, askGivenUp, "refused: not supported")
	case AckDenied:
		a.finish(t, t.out, askGivenUp, "refused: access denied")
	case AckBusy:
		a.retry(now, t, "refused: not ready")
	}
}

// retry puts the outstanding question again later, or gives it up.
func (a *Asker) retry(now event.Time, t *target, reason string) {
	i := t.out
	q := &t.question[i]
	if q.tries >= a.opts.Tries {
		a.finish(t, i, askGivenUp, fmt.Sprintf("%s, %d requests", reason, q.tries))
		return
	}
	a.budget.level = min(a.budget.burst, a.budget.level+q.reserved)
	q.state, q.reserved, t.out = askWaiting, 0, -1
	q.at = now.Add(backOff[min(q.tries, len(backOff))-1])
}
