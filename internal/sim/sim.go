package sim

import (
	"fmt"
	"io"
	"math/rand/v2"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// BitRate is that of every NMEA 2000 backbone, in bit/s.
const BitRate = 250_000

const (
	bitTime  = time.Second / BitRate
	maxQueue = 512 // frames a device keeps waiting; more are lost as in a real controller
)

// Sim is one simulated boat. It is a pure state machine in event time: Read produces what happens, as fast as it is called, and the
// same scenario, seed and start always produce the same events. Its methods are not safe for concurrent use; see Player.
type Sim struct {
	sc    *Scenario
	start event.Time
	end   event.Time // 0 never
	now   event.Time
	rng   *rand.Rand
	world *world

	devices []*device
	lines   []*line
	wheel   wheel
	enc     encoder

	foreign []can.Frame // frames that the reader of the events put on the bus
	flight  can.Frame   // the frame on the wire
	sender  int         // whose it is: index of the device, sentForeign or sentFiller
	busy    bool
	freeAt  event.Time // when the frame on the wire ends

	bus     busFaults
	echoes  []echo
	fill    float64 // share of the bus to keep in use
	fillBit float64 // bits still to send to keep it
	fillAt  event.Time
	filled  uint64 // frames sent to fill the bus

	out  []event.Event
	head int
	text []byte // arena of the lines in out
	info []event.Network
	dead bool
}

const (
	sentForeign = -1
	sentFiller  = -2
	sentNobody  = -3

	forever = event.Time(1<<63 - 1)
)

// busFaults is what goes wrong between the bus and the reader.
type busFaults struct {
	errorsUntil event.Time
	errorEvery  time.Duration
	dropUntil   event.Time
	dropShare   float64
	dropped     uint32
}

// echo is a device that repeats what another one sends.
type echo struct {
	device, from int
	number       uint32
	until        event.Time
}

const echoLag = 180 * time.Millisecond

// New makes a boat that is switched on at start. A scenario from Load or Parse is always usable; seed is added to its own.
func New(sc *Scenario, seed uint64, start event.Time) *Sim {
	s := &Sim{sc: sc, start: start, now: start, fillAt: start, fill: sc.Load, rng: rand.New(rand.NewPCG(sc.Seed, seed))}
	if sc.Duration > 0 {
		s.end = start.Add(sc.Duration)
	}
	s.world = newWorld(sc.Boat, start, s.rng)
	s.info = append(s.info, event.Network{ID: sc.Bus, Kind: event.NMEA2000, BitRate: BitRate})
	for _, l := range sc.Lines {
		s.info = append(s.info, event.Network{ID: l.ID, Kind: event.NMEA0183, BitRate: l.Baud})
	}
	for i := range s.info {
		s.out = append(s.out, event.Event{Time: start, Kind: event.KindNetwork, Network: uint16(i), Info: &s.info[i]})
	}
	for i := range sc.Devices {
		s.addDevice(sc.Devices[i])
		if !sc.Devices[i].Absent {
			s.wheel.add(start.Add(s.random(1500*time.Millisecond)), item{kind: itemPowerOn, device: i})
		}
	}
	for i := range sc.Lines {
		s.addLine(i, &sc.Lines[i])
	}
	s.startTimeline(start)
	return s
}

// random is a duration below d.
func (s *Sim) random(d time.Duration) time.Duration { return time.Duration(s.rng.Int64N(int64(d))) }

// Now is how far the simulation has come.
func (s *Sim) Now() event.Time { return s.now }

// Scenario is what is being simulated; read-only.
func (s *Sim) Scenario() *Scenario { return s.sc }

// Read fills events with what happens next, however far in the future, and returns io.EOF after the scenario's duration. Lines are
// valid until the next call.
func (s *Sim) Read(events []event.Event) (int, error) {
	return s.ReadUntil(forever, events)
}

// ReadUntil is Read that goes no further than limit; it returns 0 and no error when nothing more happens until then.
func (s *Sim) ReadUntil(limit event.Time, events []event.Event) (int, error) {
	if s.head == len(s.out) {
		s.out, s.head, s.text = s.out[:0], 0, s.text[:0]
	}
	for len(s.out)-s.head < len(events) && s.step(limit) {
	}
	n := copy(events, s.out[s.head:])
	s.head += n
	if n == 0 && s.dead && len(events) > 0 {
		return 0, io.EOF
	}
	return n, nil
}

// Send puts a frame of the reader's own on the simulated bus: it competes for the bus, the devices receive it, and it
// comes back from Read marked as sent.
func (s *Sim) Send(f can.Frame) error {
	if err := f.Validate(); err != nil {
		return fmt.Errorf("sim: send: %w", err)
	}
	if len(s.foreign) >= maxQueue {
		return fmt.Errorf("sim: send: %d frames already wait for the bus", maxQueue)
	}
	s.foreign = append(s.foreign, f)
	s.arbitrate()
	return nil
}

// Inject gives the devices a frame that another put on a real bus, at the time of the event if that is later than
// Now. What the simulation had to send before that time remains to be read.
func (s *Sim) Inject(ev *event.Event) {
	if ev.Kind != event.KindFrame {
		return
	}
	for s.now < ev.Time && s.step(ev.Time) {
	}
	s.hear(&ev.Frame, sentForeign)
	s.arbitrate()
}

// Next is when the simulation next has something to do; zero when it has ended.
func (s *Sim) Next() event.Time {
	if s.dead {
		return 0
	}
	if s.head < len(s.out) {
		return s.out[s.head].Time
	}
	t, _ := s.nextStep()
	return t
}

// The things that can come next.
const (
	stepWheel = iota
	stepBus
	stepNode
	stepFill
)

func (s *Sim) nextStep() (event.Time, int) {
	at, what := forever, stepWheel
	if s.busy {
		at, what = s.freeAt, stepBus
	} else if s.fill > 0 {
		at, what = s.fillReady(), stepFill
	}
	if t := s.wheel.next(); t != 0 && t < at {
		at, what = t, stepWheel
	}
	for _, d := range s.devices {
		if d.next != 0 && d.next < at {
			at, what = d.next, stepNode
		}
	}
	return at, what
}

// step lets the next thing happen unless it lies beyond limit.
func (s *Sim) step(limit event.Time) bool {
	if s.dead {
		return false
	}
	at, what := s.nextStep()
	end := s.end
	if end == 0 && at == forever && limit == forever {
		end = s.now // nothing will ever happen again
	}
	if end != 0 && at > end {
		if end > limit {
			return false
		}
		s.now, s.dead = end, true
		for i := range s.info {
			s.emit(event.Event{Kind: event.KindEnd, Network: uint16(i)})
		}
		return true
	}
	if at > limit {
		s.now = max(s.now, min(limit, at))
		return false
	}
	s.now = max(s.now, at)
	switch what {
	case stepBus:
		s.delivered()
	case stepWheel:
		s.run(s.wheel.pop())
	case stepNode:
		for _, d := range s.devices {
			if d.next != 0 && d.next <= s.now {
				d.tick(s.now)
				s.drain(d)
			}
		}
	}
	s.arbitrate()
	return true
}

func (s *Sim) emit(ev event.Event) {
	ev.Time = s.now
	s.out = append(s.out, ev)
}

// arbitrate puts the waiting frame of the highest priority on the wire when that is free.
func (s *Sim) arbitrate() {
	if s.busy {
		return
	}
	best, sender := uint32(1<<32-1), sentNobody
	for i, d := range s.devices {
		if len(d.queue) > 0 && d.queue[0].ID < best {
			best, sender = d.queue[0].ID, i
		}
	}
	if len(s.foreign) > 0 && s.foreign[0].ID < best {
		sender = sentForeign
	}
	switch {
	case sender >= 0:
		d := s.devices[sender]
		s.flight = d.queue[0]
		d.queue = d.queue[:copy(d.queue, d.queue[1:])]
	case sender == sentForeign:
		s.flight = s.foreign[0]
		s.foreign = s.foreign[:copy(s.foreign, s.foreign[1:])]
	case s.fill > 0 && s.fillReady() <= s.now:
		f, ok := s.fillFrame()
		if !ok { // no device has an address yet
			s.fillSpend(int(s.fill * BitRate / 100))
			return
		}
		sender, s.flight = sentFiller, f
	default:
		return
	}
	s.busy, s.sender = true, sender
	bits := transport.FrameBits(&s.flight)
	s.fillSpend(bits)
	s.freeAt = s.now.Add(time.Duration(bits) * bitTime)
}

// delivered is the end of the frame on the wire: everybody has it.
func (s *Sim) delivered() {
	s.busy = false
	f := s.flight
	if s.sender >= 0 && s.devices[s.sender].corrupt > 0 && s.rng.Float64() < s.devices[s.sender].corrupt {
		s.stuffError()
		return
	}
	if s.now < s.bus.dropUntil && s.sender != sentForeign && s.rng.Float64() < s.bus.dropShare {
		s.bus.dropped++
	} else {
		if s.bus.dropped > 0 {
			s.emit(event.Event{Kind: event.KindDropped, Count: s.bus.dropped})
			s.bus.dropped = 0
		}
		s.emit(event.Event{Kind: event.KindFrame, Frame: f, Sent: s.sender == sentForeign})
	}
	s.hear(&f, s.sender)
}

// hear gives a frame to every device that it may concern, except its sender.
func (s *Sim) hear(f *can.Frame, sender int) {
	id := pgn.ID(f.ID)
	if !f.IsExtended {
		return
	}
	if !id.Addressed() {
		s.repeat(f, id, sender)
		for i, d := range s.devices {
			if d.asker != nil && d.on && i != sender {
				d.feed(s.now, f)
				s.drain(d)
			}
		}
		return
	}
	dst := id.Destination()
	for i, d := range s.devices {
		if i == sender || !d.on {
			continue
		}
		if dst != pgn.Global {
			if a, ok := d.node.Address(); !ok || a != dst {
				continue
			}
		}
		d.feed(s.now, f)
		s.drain(d)
	}
}

// repeat lets echoing devices send the same again a little later.
func (s *Sim) repeat(f *can.Frame, id pgn.ID, sender int) {
	for _, e := range s.echoes {
		if e.from == sender && id.PGN() == e.number && (e.until == 0 || s.now < e.until) {
			s.wheel.add(s.now.Add(echoLag), item{kind: itemEcho, device: e.device, frame: *f})
		}
	}
}

// drain moves what a node has to send to its queue and notes when it is to be called again.
func (s *Sim) drain(d *device) {
	if !d.silent {
		d.queue = append(d.queue, d.box.Frames[:min(len(d.box.Frames), maxQueue-min(len(d.queue), maxQueue))]...)
	}
	d.box.Reset()
	d.next = d.wake()
}

// The filler keeps the load of the bus at a share: it counts the bits that the share amounts to since the start,
// takes off what is sent, and sends at the lowest priority whatever is missing.
func (s *Sim) fillReady() event.Time {
	if s.fillBit <= 0 {
		return s.fillAt
	}
	return s.fillAt.Add(time.Duration(s.fillBit / (s.fill * BitRate) * float64(time.Second)))
}

func (s *Sim) fillSpend(bits int) {
	if s.fill <= 0 {
		return
	}
	earned := s.fill * BitRate * s.now.Sub(s.fillAt).Seconds()
	s.fillBit, s.fillAt = max(s.fillBit-earned, -BitRate)+float64(bits), s.now
}

// fillFrame makes a frame of the last device that has an address: a proprietary message at the lowest priority.
func (s *Sim) fillFrame() (can.Frame, bool) {
	for i := len(s.devices) - 1; i >= 0; i-- {
		d := s.devices[i]
		src, ok := d.node.Address()
		if !ok || d.silent {
			continue
		}
		return s.proprietaryFrame(d, src), true
	}
	return can.Frame{}, false
}

// proprietaryFrame makes a frame of a device that means nothing to others, at the lowest priority.
func (s *Sim) proprietaryFrame(d *device, src uint8) can.Frame {
	f := can.Frame{ID: uint32(pgn.MakeID(7, 65300, src, pgn.Global)), IsExtended: true, Length: 8}
	s.filled++
	s.enc.b, s.enc.empty = s.enc.b[:0], false
	proprietary(&s.enc, &s.world.view, &msg{manufacturer: d.spec.Manufacturer, turn: int(s.filled)})
	copy(f.Data[:], s.enc.b)
	return f
}
