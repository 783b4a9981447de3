package check_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"go.einride.tech/can"

	"muster/internal/alert"
	"muster/internal/check"
	"muster/internal/event"
	"muster/pgn"
)

// A craft is a random boat with what it truly does and the units that measure it. It writes its messages itself, byte
// by byte from the published layouts, without the code of the checks. Accuracy of the units: as instrument classes
// are published or commonly practised.
type craft struct {
	r      *rand.Rand
	start  event.Time
	now    event.Time
	wire   event.Time // when the bus is free again
	truth  truth
	units  []*unit
	watch  *alert.Watch
	begin  func() // starts muster, also again
	extra  []check.Rule
	names  map[string]string // by check: what its report has to say
	batch  []event.Event
	buffer payload
	hooks  []func(*event.Event) bool // each may spoil an event; false keeps it off the wire
	taps   []func(*event.Event)      // see what is on the wire
	due    []*due
	nextID uint32
}

// tick is the step of the truth.
const tick = 50 * time.Millisecond

// A truth is what the boat does. Angles are in rad, speeds in m/s, the position in degrees.
type truth struct {
	course, rate, speed, want float64
	lat, lon                  float64
	leeway, variation         float64
	roll, pitch, sea, wave    float64
	depth, slope              float64
	windFrom, wind, gust      float64
	water, air, humidity      float64
	rpm                       float64
}

func newTruth(r *rand.Rand) truth {
	t := truth{
		course: 2 * math.Pi * r.Float64(), lat: -60 + 120*r.Float64(), lon: -180 + 360*r.Float64(), variation: 0.35 * r.NormFloat64(),
		leeway: 0.03 * r.NormFloat64(), sea: math.Abs(0.08 * r.NormFloat64()), depth: 4 + 40*r.Float64(), windFrom: 2 * math.Pi * r.Float64(),
		wind: 2 + 10*r.Float64(), water: 278 + 20*r.Float64(), air: 100_000 + 3000*r.Float64(), humidity: 40 + 50*r.Float64(),
	}
	switch r.IntN(4) {
	case 0: // at the quay
	case 1: // under sail
		t.want = 1.5 + 3*r.Float64()
	default:
		t.want, t.rpm = 2+10*r.Float64(), 900+2000*r.Float64()
	}
	t.speed = t.want
	return t
}

// step moves the boat on.
func (t *truth) step(r *rand.Rand, at float64) {
	dt := tick.Seconds()
	t.rate += -t.rate*dt/8 + 0.02*math.Sqrt(dt)*r.NormFloat64()*min(1, t.want)
	t.course = math.Mod(t.course+t.rate*dt+2*math.Pi, 2*math.Pi)
	t.speed = max(0, t.speed+(t.want-t.speed)*dt/20+0.08*math.Sqrt(dt)*r.NormFloat64()*min(1, t.want))
	t.lat += t.speed * dt * math.Cos(t.course) / 111_200
	t.lon += t.speed * dt * math.Sin(t.course) / 111_200 / math.Cos(t.lat*math.Pi/180)
	t.wave = math.Sin(at*0.9+0.4*math.Sin(at*0.13)) + 0.3*math.Sin(at*1.7)
	t.roll, t.pitch = t.sea*t.wave, t.sea*0.4*math.Sin(at*1.3+1)
	t.slope += -t.slope*dt/30 + 0.01*math.Sqrt(dt)*r.NormFloat64()
	t.depth = min(80, max(3, t.depth+t.slope*t.speed*dt))
	t.gust += -t.gust*dt/10 + 0.3*math.Sqrt(dt)*r.NormFloat64()
	t.water += 0.0005 * math.Sqrt(dt) * r.NormFloat64()
	t.air += 0.3 * math.Sqrt(dt) * r.NormFloat64()
}

// apparent is the wind that the moving boat feels: from which angle off the bow, and how strong.
func (t *truth) apparent() (angle, speed float64) {
	w := max(0.2, t.wind+t.gust)
	north := w*math.Cos(t.windFrom) + t.speed*math.Cos(t.course)
	east := w*math.Sin(t.windFrom) + t.speed*math.Sin(t.course)
	return wrap(math.Atan2(east, north) - t.course - t.leeway), math.Hypot(north, east)
}

func (t *truth) heading() float64 { return wrap(t.course + t.leeway) }

func wrap(a float64) float64 {
	for a < 0 {
		a += 2 * math.Pi
	}
	for a >= 2*math.Pi {
		a -= 2 * math.Pi
	}
	return a
}

// A channel is one measurement of a unit: damped, off by a fixed amount, and noisy.
type channel struct {
	damping     time.Duration
	bias, noise float64
	circular    bool

	state float64
	at    event.Time
	step  time.Duration // since the reading before, and what of the difference it takes
	gain  float64
}

func (c *channel) read(r *rand.Rand, now event.Time, v float64) float64 {
	if c.at == 0 || c.damping == 0 {
		c.state = v
	} else {
		d := v - c.state
		if c.circular {
			d = math.Remainder(d, 2*math.Pi)
		}
		if dt := now.Sub(c.at); dt != c.step {
			c.step, c.gain = dt, 1-math.Exp(-float64(dt)/float64(c.damping))
		}
		c.state += d * c.gain
	}
	c.at = now
	v = c.state + c.bias + c.noise*r.NormFloat64()
	if c.circular {
		v = wrap(v)
	}
	return v
}

// A unit is one device or talker.
type unit struct {
	c        *craft
	name     pgn.NAME
	address  uint8
	model    string
	version  string
	serial   string
	declared bool // gives its product information
	off      bool
	taken    bool // by a fault
	load     uint8
	messages []*message
	channels map[string]*channel
	order    uint8
}

// A message is sent at its interval. A payload longer than 8 bytes goes as fast packet; lines go on network 1.
type message struct {
	number  uint32
	every   time.Duration
	next    event.Time
	off     bool
	payload func() []byte
	line    func() string
	order   uint8
}

func newCraft(seed uint64) *craft {
	c := &craft{r: rand.New(rand.NewPCG(seed, 20)), start: event.Time(1_780_000_000e9), nextID: 100, names: map[string]string{}}
	c.now, c.wire = c.start, c.start
	c.truth = newTruth(c.r)
	return c
}

// add brings a unit aboard. Functions and classes: the published lists.
func (c *craft) add(model string, class, function uint8) *unit {
	c.nextID++
	n := 0
	for _, u := range c.units {
		if u.name.Fields().DeviceFunction == function && u.name.Fields().DeviceClass == class {
			n++
		}
	}
	u := &unit{
		c: c, address: uint8(20 + len(c.units)), model: model, version: "1.10", load: 1, serial: fmt.Sprint("S", c.nextID), declared: true, channels: map[string]*channel{},
		name: pgn.NameFields{UniqueNumber: c.nextID, Manufacturer: 2001, DeviceClass: class, DeviceFunction: function, DeviceInstance: uint8(n),
			IndustryGroup: 4, ArbitraryAddress: true}.NAME(),
	}
	c.units = append(c.units, u)
	return u
}

// each lets the unit send a message at an interval.
func (u *unit) each(every time.Duration, number uint32, payload func() []byte) *message {
	m := &message{number: number, every: every, payload: payload, next: u.c.start.Add(3*time.Second + time.Duration(u.c.r.Int64N(int64(every))))}
	u.messages = append(u.messages, m)
	return m
}

// says lets a talker send a sentence at an interval.
func (u *unit) says(every time.Duration, line func() string) *message {
	m := u.each(every, 0, nil)
	m.line = line
	return m
}

// value reads a channel of the unit, which is made at its first use.
func (u *unit) value(name string, v float64, damping time.Duration, bias, noise float64, circular bool) float64 {
	ch := u.channels[name]
	if ch == nil {
		off := bias * u.c.r.NormFloat64() // 95 % within twice the figure; none beyond two and a half times
		ch = &channel{damping: time.Duration(float64(damping) * (0.3 + u.c.r.Float64())), bias: max(-2.5*bias, min(2.5*bias, off)),
			noise: noise * (0.5 + u.c.r.Float64()), circular: circular}
		u.channels[name] = ch
	}
	return ch.read(u.c.r, u.c.now, v)
}

// run lets the boat live until a moment.
func (c *craft) run(until event.Time) {
	for ; c.now < until; c.now = c.now.Add(tick) {
		c.truth.step(c.r, c.now.Sub(c.start).Seconds())
		c.happen()
		for _, u := range c.units {
			if u.off {
				continue
			}
			for _, m := range u.messages {
				if m.off || m.next > c.now {
					continue
				}
				if m.next = m.next.Add(m.every); m.next < c.now {
					m.next = c.now.Add(m.every)
				}
				if m.line != nil {
					c.line(m.line())
				} else {
					u.send(m, m.payload())
				}
			}
		}
		c.flush()
	}
}

// flush hands muster what was sent.
func (c *craft) flush() {
	c.watch.Feed(c.batch...)
	c.batch = c.batch[:0]
}

// appear makes the unit claim its address and identify itself.
func (u *unit) appear() {
	u.frame(pgn.MakeID(6, 60928, u.address, pgn.Global), u.name.Append(nil))
	if u.declared {
		u.send(&message{number: 126996}, u.product())
	}
}

func (u *unit) product() []byte {
	p := binary.LittleEndian.AppendUint16(nil, 2100)
	p = binary.LittleEndian.AppendUint16(p, 1000+uint16(u.name.Fields().DeviceFunction))
	for _, text := range []string{u.model, u.version, "A", u.serial} {
		p = append(p, fmt.Sprintf("%-32s", text)...)
	}
	return append(p, 1, u.load)
}

// number is the sequence number of a single frame: makers count each message, or all that a unit sends, or nothing.
func (u *unit) number(m *message) uint8 {
	switch u.name.UniqueNumber() % 3 {
	case 0:
		m.order = (m.order + 1) % 253
		return m.order
	case 1:
		u.order = (u.order + 1) % 253
		return u.order
	}
	return 0xFF
}

// send puts a payload on the bus, in as many frames as it takes.
func (u *unit) send(m *message, p []byte) {
	id := pgn.MakeID(3, m.number, u.address, pgn.Global)
	if len(p) <= 8 {
		if f := pgn.Lookup(m.number).Field("sid"); f != nil && f.Bit == 0 {
			p[0] = u.number(m)
		}
		u.frame(id, p)
		return
	}
	m.order = (m.order + 1) & 7
	rest, first := p, 6
	for i := uint8(0); len(rest) > 0; i++ {
		frame := []byte{m.order<<5 | i}
		if i == 0 {
			frame = append(frame, uint8(len(p)))
		} else {
			first = 7
		}
		n := min(first, len(rest))
		frame = append(frame, rest[:n]...)
		for len(frame) < 8 {
			frame = append(frame, 0xFF)
		}
		rest = rest[n:]
		u.frame(id, frame)
	}
}

// frame takes its turn on the bus of 250 kbit/s.
func (u *unit) frame(id pgn.ID, data []byte) {
	c := u.c
	c.wire = max(c.wire, c.now) + event.Time(560*time.Microsecond)
	f := can.Frame{ID: uint32(id), Length: uint8(len(data)), IsExtended: true}
	copy(f.Data[:], data)
	c.put(event.Event{Kind: event.KindFrame, Time: c.wire, Frame: f})
}

// line puts a sentence on the NMEA 0183 line, with its checksum.
func (c *craft) line(body string) {
	sum := byte(0)
	for _, b := range []byte(body) {
		sum ^= b
	}
	c.put(event.Event{Kind: event.KindLine, Network: 1, Time: max(c.wire, c.now), Line: fmt.Appendf(nil, "$%s*%02X", body, sum)})
}

func (c *craft) put(e event.Event) {
	c.batch = append(c.batch, e)
	last := &c.batch[len(c.batch)-1]
	for _, hook := range c.hooks {
		if !hook(last) {
			c.batch = c.batch[:len(c.batch)-1]
			return
		}
	}
	for _, see := range c.taps {
		see(last)
	}
}
