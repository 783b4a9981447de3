package sim

import (
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/internal/node"
	"muster/pgn"
)

// device is one simulated device at work.
type device struct {
	spec   Device // as it is now
	node   *node.Node
	asker  *node.Asker // of a device that asks the others for their identity, as a display does
	box    node.Outbox
	queue  []can.Frame
	next   event.Time
	on     bool
	silent bool
	power  uint32 // counts power-ons, so that what was planned before a cut is forgotten
	sends  []send
	skew   *skew
	loop   time.Duration

	corrupt float64 // share of its frames that no device can read
	flood   float64 // share of the bus that it fills
}

// displayShare is how much of the bus an asking display takes.
const displayShare = 0.04

func (d *device) feed(now event.Time, f *can.Frame) {
	if d.asker != nil {
		d.asker.Feed(now, f)
		return
	}
	d.node.Feed(now, f)
}

func (d *device) tick(now event.Time) {
	if d.asker != nil {
		d.asker.Tick(now)
		return
	}
	d.node.Tick(now)
}

func (d *device) wake() event.Time {
	if d.asker != nil {
		return d.asker.Next()
	}
	return d.node.Next()
}

type send struct {
	Send
	kind  kind
	msg   msg
	empty bool
}

func (s *Sim) addDevice(spec Device) int {
	d := &device{spec: spec}
	i := len(s.devices)
	opts := node.Options{
		Name: spec.NAME(), Address: spec.Address, Product: spec.product(), Installation: spec.installation(), Receives: spec.Receives,
		Commandable: spec.Commandable, Seed: s.sc.Seed + uint64(i),
		Faults: spec.faults(),
	}
	if spec.NoHeartbeat {
		opts.Heartbeat = -1
	}
	for _, sp := range spec.Sends {
		k, _ := findKind(sp.PGN)
		d.sends = append(d.sends, send{Send: sp, kind: k, empty: sp.Empty, msg: msg{instance: sp.Instance, variant: sp.Variant, offset: sp.Offset,
			manufacturer: spec.Manufacturer, length: sp.Length}})
		opts.Transmits = append(opts.Transmits, sp.PGN)
	}
	opts.Send = func(now event.Time, number uint32, dst uint8) bool { return s.transmit(d, number) }
	d.node = node.New(opts, &d.box)
	s.devices = append(s.devices, d)
	return i
}

func (d *Device) faults() node.Faults {
	return node.Faults{Ignore: d.Ignores, HalfProduct: d.HalfProduct, Stubborn: d.Stubborn, Deaf: d.Deaf, Unclaimed: d.Unclaimed}
}

func (d *Device) product() pgn.ProductInformation {
	return pgn.ProductInformation{
		DatabaseVersion: pgn.Some(d.DatabaseVersion), ProductCode: pgn.Some(d.ProductCode), Model: d.Model, SoftwareVersion: d.Software,
		ModelVersion: d.ModelVersion, Serial: d.Serial, CertificationLevel: pgn.Some(d.Certification),
		LoadEquivalency: pgn.Some(d.LoadEquivalency),
	}
}

func (d *Device) installation() pgn.ConfigurationInformation {
	in := pgn.ConfigurationInformation{Manufacturer: d.Information}
	if len(d.Installation) > 0 {
		in.Installation1 = d.Installation[0]
	}
	if len(d.Installation) > 1 {
		in.Installation2 = d.Installation[1]
	}
	return in
}

// transmit sends every message of one PGN at once, as asked.
func (s *Sim) transmit(d *device, number uint32) bool {
	sent := false
	for i := range d.sends {
		if d.sends[i].PGN == number {
			sent = s.encode(d, &d.sends[i]) || sent
		}
	}
	return sent
}

// encode encodes one message of a device from the state of the boat and hands it to the device's node.
func (s *Sim) encode(d *device, m *send) bool {
	s.world.advance(s.now)
	v := &s.world.view
	if d.skew != nil {
		seen := d.skew.apply(*v)
		v = &seen
	}
	s.enc.b, s.enc.empty = s.enc.b[:0], m.empty
	m.kind.encode(&s.enc, v, &m.msg)
	if !d.node.Send(s.now, m.kind.priority, m.PGN, pgn.Global, s.enc.b) {
		return false
	}
	m.msg.sid = (m.msg.sid + 1) % 253
	m.msg.turn++
	return true
}

func (s *Sim) powerOn(i int) {
	d := s.devices[i]
	if d.on {
		return
	}
	d.on = true
	d.power++
	if d.asker = nil; d.spec.Asks { // it has forgotten what it knew
		d.asker = node.NewAsker(d.node, node.AskOptions{Share: displayShare})
		d.asker.Start(s.now)
	} else {
		d.node.Start(s.now)
	}
	s.drain(d)
	for j := range d.sends {
		s.wheel.add(s.now.Add(node.ClaimWait+s.random(d.sends[j].Every)), item{kind: itemSend, device: i, index: j, power: d.power})
	}
	if d.loop > 0 {
		s.wheel.add(s.now.Add(d.loop), item{kind: itemRestart, device: i, power: d.power})
	}
}

func (s *Sim) powerOff(i int) {
	d := s.devices[i]
	d.on = false
	d.power++
	d.node.Stop()
	d.queue = d.queue[:0]
	d.box.Reset()
	d.next = 0
}
