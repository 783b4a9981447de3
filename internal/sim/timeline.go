package sim

import (
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/internal/node"
	"muster/internal/transport"
	"muster/pgn"
)

// startTimeline plans every action of the scenario, counted from the given time.
func (s *Sim) startTimeline(from event.Time) {
	for i := range s.sc.Timeline {
		s.wheel.add(from.Add(s.sc.Timeline[i].At), item{kind: itemAction, index: i})
	}
	if s.sc.Repeat > 0 && len(s.sc.Timeline) > 0 {
		s.wheel.add(from.Add(s.sc.Repeat), item{kind: itemRepeat})
	}
}

// index finds a device by its id.
func (s *Sim) index(id string) int {
	for i, d := range s.devices {
		if d.spec.ID == id {
			return i
		}
	}
	return -1
}

// later plans the end of something; nothing is planned for a duration of 0.
func (s *Sim) later(after time.Duration, undo func()) {
	if after > 0 {
		s.wheel.add(s.now.Add(after), item{kind: itemUndo, undo: undo})
	}
}

// act lets an action of the timeline happen.
func (s *Sim) act(a *Action) {
	i := s.index(a.Device)
	if i >= 0 {
		s.actOn(i, s.devices[i], a)
		return
	}
	switch a.Do {
	case "error-frames":
		s.bus.errorEvery = time.Duration(float64(time.Second) / a.Rate)
		s.bus.errorsUntil = s.now.Add(a.For)
		s.errorFrame()
	case "drop-frames":
		s.bus.dropUntil, s.bus.dropShare = s.now.Add(a.For), a.Share
	case "sag":
		s.world.sag += a.Volts
		s.later(a.For, func() { s.world.sag -= a.Volts })
	case "load":
		before := s.fill
		s.fill, s.fillBit, s.fillAt = a.Share, 0, s.now
		s.later(a.For, func() { s.fill, s.fillBit, s.fillAt = before, 0, s.now })
	case "bad-checksums", "garbled-lines", "line-silence", "wrong-baud":
		s.lineFault(a)
	}
}

func (s *Sim) actOn(i int, d *device, a *Action) {
	switch a.Do {
	case "off":
		s.powerOff(i)
	case "on":
		s.powerOn(i)
	case "power-cycle":
		s.powerOff(i)
		s.later(a.For, func() { s.powerOn(i) })
	case "silence":
		d.silent = true
		d.queue = d.queue[:0]
		s.later(a.For, func() { d.silent = false })
	case "update":
		s.powerOff(i)
		s.later(a.For, func() { s.updated(i, d, a) })
	case "reenter":
		s.reenter(i, d)
	case "restore":
		s.powerOff(i)
		s.later(a.For, func() { s.restore(i, d) })
	case "instance":
		d.spec.Instance = a.Instance
		d.node.SetName(s.now, d.spec.NAME())
		for j := range d.sends {
			d.sends[j].msg.instance = a.Instance
		}
		s.drain(d)
	case "forget":
		d.node.SetInstallation(pgn.ConfigurationInformation{Manufacturer: d.spec.Information})
	case "fight":
		s.fight(a)
	case "duplicate-name":
		s.duplicate(d, a)
	case "restart-loop":
		d.loop = a.Every
		s.powerOff(i)
		s.wheel.add(s.now.Add(1500*time.Millisecond), item{kind: itemPowerOn, device: i})
		s.later(a.For, func() { d.loop = 0 })
	case "wrong-data":
		d.skew = &skew{quantity: a.Quantity, add: a.Add}
		s.later(a.For, func() { d.skew = nil })
	case "empty-data":
		s.empty(d, a.PGN, true)
		s.later(a.For, func() { s.empty(d, a.PGN, false) })
	case "echo":
		e := echo{device: i, from: s.index(a.From), number: a.PGN}
		if a.For > 0 {
			e.until = s.now.Add(a.For)
		}
		s.echoes = append(s.echoes, e)
		s.later(a.For, s.endEchoes)
	case "corrupt":
		d.corrupt = a.Share
		s.later(a.For, func() { d.corrupt = 0 })
	case "flood":
		d.flood = a.Share
		s.flood(i)
		s.later(a.For, func() { d.flood = 0 })
	case "half-product":
		d.node.SetFaults(node.Faults{HalfProduct: true})
		s.later(a.For, func() { d.node.SetFaults(node.Faults{}) })
	case "ignore":
		d.node.SetFaults(node.Faults{Ignore: []uint32{a.PGN}})
		s.later(a.For, func() { d.node.SetFaults(node.Faults{}) })
	}
}

// updated switches a device on after its software changed.
func (s *Sim) updated(i int, d *device, a *Action) {
	if a.Software != "" {
		d.spec.Software = a.Software
	}
	d.node.SetProduct(d.spec.product())
	if a.Defaults {
		d.spec.Instance, d.spec.SystemInstance = 0, 0
		d.node.SetName(s.now, d.spec.NAME()) // off: takes effect with the first claim
		d.node.SetInstallation(pgn.ConfigurationInformation{Manufacturer: d.spec.Information})
		for j := range d.sends {
			d.sends[j].msg.instance = 0
		}
	}
	s.powerOn(i)
}

// restore switches a device on as the scenario first had it: the old unit is back.
func (s *Sim) restore(i int, d *device) {
	d.spec = s.sc.Devices[i]
	d.node.SetName(s.now, d.spec.NAME()) // off: takes effect with the first claim
	d.node.SetProduct(d.spec.product())
	d.node.SetInstallation(d.spec.installation())
	for j := range d.sends {
		d.sends[j].msg.instance = d.spec.Sends[j].Instance
	}
	s.powerOn(i)
}

// reenter sets the instances and the texts as the scenario first had them, while the device is on: somebody enters its settings again.
func (s *Sim) reenter(i int, d *device) {
	first := s.sc.Devices[i]
	d.spec.Instance, d.spec.SystemInstance = first.Instance, first.SystemInstance
	d.node.SetInstallation(first.installation())
	d.node.SetName(s.now, d.spec.NAME())
	for j := range d.sends {
		d.sends[j].msg.instance = first.Sends[j].Instance
	}
	s.drain(d)
}

func (s *Sim) empty(d *device, number uint32, on bool) {
	for j := range d.sends {
		if number == 0 || d.sends[j].PGN == number {
			d.sends[j].empty = on || d.sends[j].Empty
		}
	}
}

func (s *Sim) endEchoes() {
	kept := s.echoes[:0]
	for _, e := range s.echoes {
		if e.until == 0 || s.now < e.until {
			kept = append(kept, e)
		}
	}
	s.echoes = kept
}

// sendEcho repeats a frame under the address of the echoing device.
func (s *Sim) sendEcho(it item) {
	d := s.devices[it.device]
	addr, ok := d.node.Address()
	if !ok || d.silent || len(d.queue) >= maxQueue {
		return
	}
	f := it.frame
	f.ID = f.ID&^0xFF | uint32(addr)
	d.queue = append(d.queue, f)
}

// fight moves the device to an address and makes it and whoever has that address insist on it.
func (s *Sim) fight(a *Action) {
	var both []*device
	for _, d := range s.devices {
		if addr, ok := d.node.Address(); d.spec.ID == a.Device || ok && addr == a.Address {
			both = append(both, d)
			d.stubborn(true)
		}
	}
	d := s.devices[s.index(a.Device)]
	d.node.Move(s.now, a.Address)
	s.drain(d)
	s.later(a.For, func() {
		for _, b := range both {
			b.stubborn(false)
		}
		d.node.Move(s.now, d.spec.Address)
		s.drain(d)
	})
}

// stubborn makes the device keep to its address against every right, or stop that.
func (d *device) stubborn(on bool) {
	f := d.spec.faults()
	f.Stubborn = f.Stubborn || on
	d.node.SetFaults(f)
}

// duplicate switches on a second device of the same NAME at another address.
func (s *Sim) duplicate(d *device, a *Action) {
	id := d.spec.ID + " copy"
	i := s.index(id)
	if i < 0 {
		spec := d.spec
		spec.ID, spec.Address = id, a.Address
		i = s.addDevice(spec)
	}
	s.powerOn(i)
	s.later(a.For, func() { s.powerOff(i) })
}

// errorFrame reports one bus error and plans the next.
func (s *Sim) errorFrame() {
	if s.now >= s.bus.errorsUntil {
		return
	}
	s.stuffError()
	s.wheel.add(s.now.Add(s.bus.errorEvery/2+s.random(s.bus.errorEvery+1)), item{kind: itemErrorFrame})
}

// stuffError is a bit stuffing error while receiving: CAN_ERR_PROT with CAN_ERR_PROT_STUFF (linux/can/error.h).
func (s *Sim) stuffError() {
	f := can.Frame{ID: 0x08, Length: 8}
	f.Data[2] = 0x04
	s.emit(event.Event{Kind: event.KindErrorFrame, Frame: f})
}

// flood lets a device send one frame more of its flood, and plans the next.
func (s *Sim) flood(i int) {
	d := s.devices[i]
	if d.flood == 0 {
		return
	}
	every := 10 * time.Millisecond
	if src, ok := d.node.Address(); ok && d.on && !d.silent {
		f := s.proprietaryFrame(d, src)
		if len(d.queue) < maxQueue {
			d.queue = append(d.queue, f)
		}
		every = time.Duration(float64(transport.FrameBits(&f)) / (d.flood * BitRate) * float64(time.Second))
	}
	s.wheel.add(s.now.Add(every), item{kind: itemFlood, device: i})
}

// skew makes a device see the boat wrongly.
type skew struct {
	quantity string
	add      float64
}

// skews are the quantities that can be wrong. Add is in degrees, metres, knots, volts, kelvins or revolutions.
var skews = map[string]func(v *view, add float64){
	"heading":    func(v *view, add float64) { v.heading = wrap(v.heading + add*rad) },
	"depth":      func(v *view, add float64) { v.depth += add },
	"latitude":   func(v *view, add float64) { v.lat += add },
	"longitude":  func(v *view, add float64) { v.lon += add },
	"course":     func(v *view, add float64) { v.cog = wrap(v.cog + add*rad) },
	"speed":      func(v *view, add float64) { v.sog, v.stw = v.sog+add*knot, v.stw+add*knot },
	"wind-angle": func(v *view, add float64) { v.awa, v.twd = wrap(v.awa+add*rad), wrap(v.twd+add*rad) },
	"wind-speed": func(v *view, add float64) { v.aws, v.tws = v.aws+add*knot, v.tws+add*knot },
	"voltage":    func(v *view, add float64) { v.volts += add },
	"temperature": func(v *view, add float64) {
		v.seaT, v.airT, v.cabinT, v.engineT = v.seaT+add, v.airT+add, v.cabinT+add, v.engineT+add
	},
	"rpm":   func(v *view, add float64) { v.rpm += add },
	"clock": func(v *view, add float64) { v.now = v.now.Add(time.Duration(add * float64(time.Second))) },
}

func (k *skew) apply(v view) view {
	skews[k.quantity](&v, k.add)
	return v
}
