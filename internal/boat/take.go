package boat

import (
	"cmp"
	"math"
	"slices"
	"time"

	"muster/internal/event"
	"muster/internal/quantity"
	"muster/pgn"
)

// State is what is known at present. It shares nothing with the boat but the published names, and taking it changes nothing: it
// depends only on what was fed and on the present moment, not on how often Tick or State were called.
func (b *Boat) State() *State {
	r := &State{
		Boat: Identity{ID: b.opt.ID, Name: b.opt.Name}, TakenAt: b.now, Clock: b.clock(),
		Window: Window{From: b.from, To: b.to, MovedMS: b.moved.Seconds() * 1e3},
		Manual: slices.Clone(b.manual),
	}
	for _, n := range b.nets {
		if n == nil {
			continue
		}
		r.Networks = append(r.Networks, n.report(b.now))
		r.Devices = n.reportDevices(r.Devices, b.now)
		r.Talkers = n.reportTalkers(r.Talkers, b.now)
	}
	b.reportSources(r)
	b.reportUnmet(r)
	b.talkersUnmet(r)
	r.FindUnits(b.decisions, b.opt.GoneAfter)
	return r
}

// clock is where event times come from. Those of a capture without times came from satellites, see tap.BySatellites.
func (b *Boat) clock() Clock {
	if b.opt.Clock != ClockCapture {
		return b.opt.Clock
	}
	heard := false
	for _, n := range b.nets {
		if n != nil && n.last != 0 {
			if heard = true; !n.info.Unstamped {
				return ClockCapture
			}
		}
	}
	if heard {
		return ClockGNSS
	}
	return ClockCapture
}

// report is the network's own part.
func (n *network) report(now event.Time) Network {
	r := Network{
		ID: n.info.ID, Kind: n.info.Kind, BitRate: n.info.BitRate, ListenOnly: n.info.Listen, From: n.info.From, Commands: n.reportCommands(),
		Timing: n.info.Timing, State: n.state, Frames: n.frames,
		Faults:    n.allFaults(),
		DownSince: n.downSince, BusOffSince: n.busOffSince, Back: n.back, Ahead: n.ahead,
		Contests: n.reportContests(now), Duplicates: n.reportDuplicates(now),
	}
	broken := n.brokenRun
	if n.asm != nil { // what has waited too long by now
		late := n.asm.Overdue(now)
		r.Faults.BrokenSequences += late.Broken()
		r.Faults.TransportErrors += late.ISOErrors()
		if late.Broken() > 0 {
			broken.add(now)
		}
	}
	r.FaultSince = FaultTimes{
		ErrorFrames: n.errorRun.begun(now), Dropped: n.dropRun.begun(now), BrokenSequences: broken.begun(now),
	}
	if n.info.Kind == event.NMEA0183 {
		r.Line = n.lineState()
	}
	r.Load = n.load(now)
	n.reportRecent(&r, now)
	return r
}

// bitRate is the network's bit rate: that of NMEA 2000 when a bus's source does not report it, 0 for a line of
// unknown speed.
func (n *network) bitRate() float64 {
	if n.info.BitRate != 0 || n.info.Kind == event.NMEA0183 {
		return float64(n.info.BitRate)
	}
	return float64(n.boat.opt.DefaultBitRate)
}

// load is the share of the bus in use, nil while no time has passed. Time that the stamps went over a second time counts twice.
func (n *network) load(now event.Time) *Load {
	span := now.Sub(n.start) + n.again
	if n.bitRate() == 0 || n.start == 0 || span <= 0 {
		return nil
	}
	mean := float64(n.bits) / span.Seconds() / n.bitRate()
	peak := float64(max(n.peakBits, n.bits-n.secondBits)) / n.bitRate()
	return &Load{Mean: share(mean), Peak: share(max(peak, mean))}
}

// share rounds to a millionth. No wire carries more than its bit rate: more is what stamps that are too close together make of it.
func share(v float64) float64 { return min(math.Round(v*1e6)/1e6, 1) }

// leastLoad is the shortest time over which a load means something: within a second messages that come by the clock all meet.
const leastLoad = 5 * time.Second

// reportRecent fills what happened in the last full minute, or since the start while there is none.
func (n *network) reportRecent(r *Network, now event.Time) {
	r.Start = n.start
	if n.start == 0 { // without time stamps all is one stretch of traffic
		r.Recent = r.Faults
		return
	}
	from, to := n.before, n.minute
	if full := now.Sub(n.minute.from).Truncate(time.Minute); full > 0 {
		from, to = n.minute, minute{from: n.minute.from.Add(full), bits: n.bits, faults: r.Faults}
		if full > time.Minute {
			from = minute{from: to.from.Add(-time.Minute), bits: n.bits, faults: r.Faults}
		}
	} else if from.from == 0 {
		from, to = n.minute, minute{from: now, bits: n.bits, faults: r.Faults}
	}
	r.RecentFrom = from.from
	r.Recent = to.faults.minus(&from.faults)
	if span := to.from.Sub(from.from); span > 0 && n.bitRate() > 0 {
		r.LoadRecent = share(float64(to.bits-from.bits) / max(span, time.Second).Seconds() / n.bitRate())
	}
	r.Latest = r.Faults.minus(&to.faults)
	if span := now.Sub(to.from); span >= leastLoad && n.bitRate() > 0 {
		r.LoadLatest = share(float64(n.bits-to.bits) / span.Seconds() / n.bitRate())
	}
}

// minus is what was added since before.
func (f *Faults) minus(before *Faults) Faults {
	return Faults{
		ErrorFrames: f.ErrorFrames - before.ErrorFrames, BusOff: f.BusOff - before.BusOff,
		Dropped:         f.Dropped - before.Dropped,
		BrokenSequences: f.BrokenSequences - before.BrokenSequences,
		LostMessages:    f.LostMessages - before.LostMessages,
		TransportErrors: f.TransportErrors - before.TransportErrors,
		AssembliesShed:  f.AssembliesShed - before.AssembliesShed,
		StandardFrames:  f.StandardFrames - before.StandardFrames,
		RemoteFrames:    f.RemoteFrames - before.RemoteFrames, OversizeFrames: f.OversizeFrames - before.OversizeFrames,
		InvalidMessages: f.InvalidMessages - before.InvalidMessages,
		DamagedRecords:  f.DamagedRecords - before.DamagedRecords,
		TimeJumps:       f.TimeJumps - before.TimeJumps, Untracked: f.Untracked - before.Untracked,
		Displaced: f.Displaced - before.Displaced, SourceLost: f.SourceLost - before.SourceLost,
		ChecksumErrors: f.ChecksumErrors - before.ChecksumErrors, GarbledLines: f.GarbledLines - before.GarbledLines,
		UncheckedLines: f.UncheckedLines - before.UncheckedLines,
	}
}

// reportDevices adds the network's devices: by NAME, then those without one by address.
func (n *network) reportDevices(list []Device, now event.Time) []Device {
	sorted := slices.Clone(n.devices)
	slices.SortFunc(sorted, func(a, b *device) int {
		if a.named != b.named {
			if a.named {
				return -1
			}
			return 1
		}
		return cmp.Or(cmp.Compare(a.sender.NAME, b.sender.NAME), cmp.Compare(a.address, b.address))
	})
	list = slices.Grow(list, len(sorted))
	for _, d := range sorted {
		list = append(list, d.report(now))
	}
	return list
}

func (d *device) report(now event.Time) Device {
	state, since := d.state(now)
	r := Device{
		ID: d.sender.ID, Network: d.net.info.ID, State: state, StateSince: since, Role: d.role(), Own: d.sender.Own,
		Addresses: slices.Clone(d.addresses), Transmits: d.transmits(now),
		Receives: slices.Clone(d.identity.receives), Declares: slices.Clone(d.identity.declares),
		FirstSeen: d.firstSeen, LastSeen: d.lastSeen, Restarts: d.restarts, Software: slices.Clone(d.identity.software),
		Unanswered: d.unanswered, LastRestarts: slices.Clone(d.restarted), ClaimedAt: d.claimed,
		Heartbeat: d.heartbeat(),
	}
	for i := range r.Transmits {
		r.Load += r.Transmits[i].Load
	}
	r.Load = share(r.Load)
	r.Sharing, r.Counts = d.shared()
	if d.loses() {
		r.Lost = clonePtr(&d.lost)
	}
	r.Heard = append(slices.Clone(d.heardOn), Span{d.from, d.lastSeen})
	r.Before = slices.Clone(d.identity.before)
	r.EverHeard = r.Heard
	if p := d.past(); p != nil {
		r.Unit, r.UnitSince, r.Earlier = p.Box, p.BoxSince, p
		r.EverHeard = everHeard(r.Heard, p, d.back)
		r.Commands = slices.Clone(p.Commands)
		if d.identity.product == nil && p.Product != nil {
			r.Known = &LastKnown{Product: p.Product, At: p.end()}
		}
	}
	for _, c := range d.net.commands {
		if c.To == r.ID {
			r.Commands = append(r.Commands, *c)
		}
	}
	r.Commands = lastOf(r.Commands, maxLife)
	if d.address != pgn.Null {
		a := d.address
		r.LostMessages = d.net.asm.Lost(a)
		r.Address = &a
	}
	if d.named {
		r.Name = d.net.boat.name(d.sender.NAME)
	}
	if p := d.identity.product; p != nil {
		r.Product = p.clone()
	}
	if in := d.identity.installation; in != nil {
		c := *in
		r.Installation = &c
	}
	return r
}

// clone copies the product; what its pointers point at never changes, but the report shares nothing.
func (p *Product) clone() *Product {
	c := *p
	c.DatabaseVersion, c.Code = clonePtr(p.DatabaseVersion), clonePtr(p.Code)
	c.CertificationLevel, c.LoadEquivalency = clonePtr(p.CertificationLevel), clonePtr(p.LoadEquivalency)
	return &c
}

func clonePtr[T any](p *T) *T {
	if p == nil {
		return nil
	}
	v := *p
	return &v
}

// name takes a NAME apart and names its codes.
func (b *Boat) name(n pgn.NAME) *Name {
	f := n.Fields()
	manufacturer := b.opt.ManufacturerNames[f.Manufacturer]
	if manufacturer == "" {
		manufacturer = pgn.ManufacturerName(f.Manufacturer)
	}
	return &Name{
		UniqueNumber:   f.UniqueNumber,
		Manufacturer:   Coded{Code: uint32(f.Manufacturer), Name: manufacturer},
		DeviceClass:    Coded{Code: uint32(f.DeviceClass), Name: pgn.ClassName(f.DeviceClass)},
		DeviceFunction: Coded{Code: uint32(f.DeviceFunction), Name: pgn.FunctionName(f.DeviceClass, f.DeviceFunction)},
		DeviceInstance: f.DeviceInstance, SystemInstance: f.SystemInstance,
		IndustryGroup:    Coded{Code: uint32(f.IndustryGroup), Name: pgn.IndustryGroupName(f.IndustryGroup)},
		ArbitraryAddress: f.ArbitraryAddress,
	}
}

// transmits lists what the device sends, by PGN and instance. Small parts lie in one block per device.
func (d *device) transmits(now event.Time) []Transmit {
	if len(d.streams) == 0 {
		return nil
	}
	list := make([]Transmit, len(d.streams))
	intervals := make([]Interval, len(d.streams))
	keys := make([]instanceKey, len(d.streams))
	available := make([]bool, len(d.streams))
	for i, s := range d.streams {
		t := &list[i]
		t.PGN, t.Count, t.First, t.Last = s.pgn, s.count, s.first, s.last
		if s.def != nil {
			t.Title = s.def.Title
			t.Nominal = millis(float64(s.def.Interval))
		}
		if keys[i] = s.key; s.key.hasInstance {
			t.Instance = &keys[i].instance
		}
		if s.key.hasSelector {
			t.Selector = &keys[i].selector
		}
		if s.n > 0 {
			intervals[i] = s.interval()
			t.Interval, t.Recent = &intervals[i], s.recent
		}
		t.EmptySince, t.Load = s.emptySince, s.load(now, d.net.bitRate())
		if s.volts != nil && s.volts.Last().At != 0 {
			last := s.volts.Last()
			v := math.Round(last.Value*1000) / 1000 // finer than any message sends it
			t.Volts, t.VoltsAt, t.Voltage = &v, last.At, s.volts.Trace(quantity.Linear)
		}
		switch {
		case s.waits != nil:
			t.Waits = s.waits.Trace(quantity.Linear)
		case s.n > 0 && s.nominal() > 0 && s.recent > 2*s.nominal():
			s.waits = &quantity.History{}
		}
		if t.NominalVolts = s.nominalVolts; s.chemistry > 0 {
			code := s.chemistry - 1
			t.Chemistry = &code
		}
		if s.judged() {
			available[i] = s.available(now)
			t.Available = &available[i]
		}
		for m := range measureCount {
			if s.mixture != nil && s.mixture.ever>>m&1 == 1 && s.late(s.mixture.last[m], now) {
				t.Measures = append(t.Measures, m.String())
			}
		}
	}
	return list
}

// load is the share of the bit rate that the stream's messages take on the average, as long as they come.
func (s *stream) load(now event.Time, bitRate float64) float64 {
	span := now.Sub(s.first)
	if s.n == 0 || span < leastLoad || bitRate == 0 || now.Sub(s.last) > StillSent {
		return 0
	}
	return share(messageBits(float64(s.bytes)/float64(s.count)) * float64(s.count) / span.Seconds() / bitRate)
}

// messageBits is about how many bits a message of so many bytes takes on the wire: a frame of extended format has 54 bits beside its data that
// are stuffed, about one in 18, and 13 that are not (ISO 11898-1); a fast packet carries 6 bytes in its first frame and 7 in each other.
func messageBits(bytes float64) float64 {
	frame := func(bytes float64) float64 { return (54+8*bytes)*19/18 + 13 }
	if bytes <= 8 {
		return frame(bytes)
	}
	return (1 + math.Ceil((bytes-6)/7)) * frame(8)
}

// judged reports whether it is known which of the message's fields carry values.
func (s *stream) judged() bool {
	return s.def != nil && len(s.def.Fields) > 0 && (s.everValue || s.everEmpty)
}

// available reports whether any message of the last minute carried a value; of a message that comes more rarely the
// last one counts.
func (s *stream) available(now event.Time) bool {
	return s.everValue && s.late(s.lastValue, now)
}

// late reports whether what was sent at a moment was sent in the last minute, or by the last message that there was.
func (s *stream) late(at, now event.Time) bool { return at >= min(s.last, now.Add(-time.Minute)) }
