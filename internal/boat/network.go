package boat

import (
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// network is the model of one network.
type network struct {
	boat   *Boat
	info   event.Network
	state  string
	asm    *transport.Assembler // NMEA 2000 only
	frames uint64
	faults Faults // without what asm counts
	fails  uint64 // asm's failures when last looked at

	last        event.Time    // latest stamp
	start       event.Time    // first stamp
	back, ahead time.Duration // the largest jumps of stamps
	again       time.Duration // by which stamps went back since
	turn        event.Time    // when the present second ends

	bits       uint64 // on the wire since start
	secondBits uint64 // at the start of the present second
	peakBits   uint64 // of the busiest full second
	minute     minute // since the start of the present minute
	before     minute // the full minute before, if from is set

	errorRun, dropRun, brokenRun run
	downSince, busOffSince       event.Time

	byAddress [256]*device // who is heard from an address
	former    [256]*device // who left the address without anybody claiming it since
	rival     [256]*device // who claimed the address while one of a lower NAME held it, which has not defended it yet
	claimer   [256]pgn.NAME
	asked     [256]event.Time // last request for the claim of one address
	askedAll  event.Time      // last request to all
	byName    map[pgn.NAME]*device
	devices   []*device  // named and provisional, in order of appearance
	claimant  int        // among them, where the last unproven one was found
	noneGone  event.Time // when they were last all there, and no room for more
	contests  map[uint8]*contest
	commands  []*RemoteSetting // the latest, oldest first
	streams   int

	talkers lineTable
}

// minute is the state of the counters when a minute began.
type minute struct {
	from   event.Time
	bits   uint64
	faults Faults
}

// run is a run of faults with no pause of a minute.
type run struct{ since, last event.Time }

func (r *run) add(t event.Time) {
	if r.since == 0 || t.Sub(r.last) > time.Minute || t < r.last {
		r.since = t
	}
	r.last = t
}

// begun is since when the run lasts, 0 when it is over.
func (r *run) begun(now event.Time) event.Time {
	if r.since == 0 || now.Sub(r.last) > time.Minute {
		return 0
	}
	return r.since
}

func newNetwork(b *Boat, info event.Network) *network {
	n := &network{boat: b, byName: map[pgn.NAME]*device{}, contests: map[uint8]*contest{}}
	n.introduce(info)
	return n
}

func (n *network) introduce(info event.Network) {
	n.info = info
	if info.Kind != event.NMEA0183 && n.asm == nil {
		n.asm = transport.NewAssembler(n.boat.opt.Assembly)
	}
	for _, d := range n.devices {
		d.nameIt()
	}
}

func (n *network) begin(t event.Time) {
	n.start, n.turn = t, t.Add(time.Second)
	n.minute.from = t
}

// stepBack lets nothing lie after t, to which the network's stamps have jumped back.
func (n *network) stepBack(t event.Time) {
	for _, d := range n.devices {
		d.lastSeen = min(d.lastSeen, t)
		d.since = min(d.since, t)
		d.from = min(d.from, t)
		for i := range d.heardOn {
			s := &d.heardOn[i]
			s.From, s.Until = min(s.From, t), min(s.Until, t)
		}
	}
	n.again += n.last.Sub(max(t, n.start))
	n.start = min(n.start, t)
	n.minute = minute{from: t, bits: n.bits, faults: n.allFaults()}
	n.before = minute{}
	n.secondBits, n.turn = n.bits, t.Add(time.Second)
	n.askedAll = 0
	n.asked = [256]event.Time{}
}

// turnOver closes the second that ended at n.turn, and the minute with it when due. t is at or after n.turn.
func (n *network) turnOver(t event.Time) {
	n.peakBits = max(n.peakBits, n.bits-n.secondBits)
	n.secondBits = n.bits
	n.turn = n.turn.Add(t.Sub(n.turn).Truncate(time.Second) + time.Second)
	if full := t.Sub(n.minute.from).Truncate(time.Minute); full > 0 {
		n.before = n.minute
		n.minute = minute{from: n.minute.from.Add(full), bits: n.bits, faults: n.allFaults()}
		if full > time.Minute { // nothing was heard in the minute before
			n.before = minute{from: n.minute.from.Add(-time.Minute), bits: n.bits, faults: n.minute.faults}
		}
	}
}

// frame takes a CAN frame: counts it, and hands the message that it completes to its sender.
func (n *network) frame(ev *event.Event) {
	f := &ev.Frame
	n.frames++
	n.bits += uint64(n.boat.lengths.FrameBits(f))
	if !f.IsExtended || f.IsRemote || f.Length > can.MaxDataLength || n.asm == nil {
		n.oddFrame(ev)
		return
	}
	m := n.asm.Feed(ev)
	if n.asm.Failures() != n.fails {
		n.failed(ev.Time)
	}
	src := uint8(f.ID)
	if src >= pgn.Null {
		n.nobody(m, src)
		return
	}
	if n.rival[src] != nil {
		n.succeed(src, ev.Time)
	}
	d, number := n.byAddress[src], uint32(0)
	if m != nil {
		number = m.PGN()
	}
	switch {
	case number == pgnClaim:
		d = n.claim(m, src)
	case d == nil:
		d = n.provisional(src, ev.Time)
	}
	if d == nil {
		return
	}
	if !d.named && d.duplicateOf == nil {
		n.suspect(d, src, ev.Time)
	}
	d.heard(ev.Time)
	if m != nil {
		n.message(m, d, number)
	}
}

func (n *network) oddFrame(ev *event.Event) {
	switch f := &ev.Frame; {
	case f.Length > 8:
		n.faults.OversizeFrames++
	case f.IsRemote:
		n.faults.RemoteFrames++
	case !f.IsExtended:
		n.faults.StandardFrames++
	}
}

// failed notes that messages broke or were lost just now.
func (n *network) failed(t event.Time) {
	n.fails = n.asm.Failures()
	n.brokenRun.add(t)
}

// message counts a whole message for the device that sent it and reads those about the network itself.
func (n *network) message(m *transport.Message, d *device, number uint32) {
	if s := d.stream(number, m.Data); s != nil {
		s.hear(d, m.Data, m.Time)
		if m.Fast {
			s.counted(d, m.Sequence, m.Time)
		}
	} else {
		n.faults.Untracked++
	}
	n.manage(m, d, number)
	if n.boat.opt.OnMessage != nil {
		n.boat.opt.OnMessage(m, &d.sender)
	}
}

// allFaults are the faults with what the assembler counted.
func (n *network) allFaults() Faults {
	f := n.faults
	if n.asm != nil {
		c := n.asm.Counters()
		f.BrokenSequences, f.LostMessages, f.TransportErrors, f.AssembliesShed = c.Broken(), c.Lost(), c.ISOErrors(), c.Shed()
	}
	return f
}
