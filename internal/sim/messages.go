package sim

import (
	"encoding/binary"
	"math"
	"sort"
	"time"
)

// encoder appends fields of whole bytes, little endian. It is apart from the decoder's message set on purpose: the
// two are written from the same public layouts and tested against each other.
type encoder struct {
	b     []byte
	empty bool // write "not available" for every measured value
}

// raw appends a number that is not a measured value: an instance, a count, a mode.
func (e *encoder) raw(v uint64, bytes int) {
	for range bytes {
		e.b = append(e.b, byte(v))
		v >>= 8
	}
}

// ones appends reserved or unavailable bytes.
func (e *encoder) ones(bytes int) {
	for range bytes {
		e.b = append(e.b, 0xFF)
	}
}

// u appends an unsigned measured value; all ones is "not available", and a value that does not fit becomes it.
func (e *encoder) u(v, resolution float64, bytes int) {
	limit := math.Exp2(float64(8*bytes)) - 4
	r := math.Round(v / resolution)
	if e.empty || math.IsNaN(r) || r < 0 || r > limit {
		e.ones(bytes)
		return
	}
	e.raw(uint64(r), bytes)
}

// s appends a signed measured value; the highest number is "not available".
func (e *encoder) s(v, resolution float64, bytes int) {
	limit := math.Exp2(float64(8*bytes - 1))
	r := math.Round(v / resolution)
	if e.empty || math.IsNaN(r) || r < -limit || r > limit-4 {
		e.raw(uint64(math.MaxInt64)>>(64-8*bytes), bytes)
		return
	}
	e.raw(uint64(int64(r)), bytes)
}

// text appends a fixed text padded with pad.
func (e *encoder) text(s string, bytes int, pad byte) {
	for i := range bytes {
		if i < len(s) {
			e.b = append(e.b, s[i])
		} else {
			e.b = append(e.b, pad)
		}
	}
}

// msg is what an encoder function may use besides the view.
type msg struct {
	instance     uint8
	variant      uint8 // fluid type, temperature source, wind reference, source type: as messages of one PGN differ
	sid          uint8
	turn         int // counts up; picks one of several, such as an AIS target
	offset       float64
	manufacturer uint16
	length       int
}

// kind is one message the simulator can send.
type kind struct {
	pgn      uint32
	priority uint8
	every    time.Duration // usual interval
	encode   func(e *encoder, v *view, m *msg)
}

// kinds is sorted by PGN. Intervals and priorities are those of the message set.
var kinds = []kind{
	{126992, 3, time.Second, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.raw(0xF0, 1)
		e.u(v.days(), 1, 2)
		e.u(v.seconds(), 0.0001, 4)
	}},
	{127237, 2, 250 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.raw(0x00, 1) // no limit exceeded, no override
		if v.gear == 0 {
			e.raw(0x04, 1) // heading control, limited by the rudder, true
		} else {
			e.raw(0x00, 1) // standby: the helm steers
		}
		e.raw(0xFF, 1)
		e.s(v.rudder, 0.0001, 2)
		if v.gear == 0 {
			e.u(38*rad, 0.0001, 2)
		} else {
			e.ones(2)
		}
		e.ones(2)
		e.u(30*rad, 0.0001, 2)
		e.u(20*rad, 0.0001, 2)
		e.raw(0x7FFF, 2)
		e.raw(0x7FFF, 2)
		e.raw(0x7FFF, 2)
		e.u(v.heading, 0.0001, 2)
	}},
	{127245, 2, 100 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.instance), 1)
		e.raw(0xF8, 1)
		e.raw(0x7FFF, 2)
		e.s(v.rudder, 0.0001, 2)
		e.ones(2)
	}},
	{127250, 2, 100 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.u(v.magnetic(), 0.0001, 2)
		e.s(v.devia, 0.0001, 2)
		e.s(v.varia, 0.0001, 2)
		e.raw(0xFD, 1)
	}},
	{127251, 2, 100 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.s(v.rot, 3.125e-8, 4)
		e.ones(3)
	}},
	{127252, 3, 100 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.s(v.heave, 0.01, 2)
		e.ones(5)
	}},
	{127257, 3, time.Second, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.raw(0x7FFF, 2)
		e.s(v.pitch, 0.0001, 2)
		e.s(v.roll, 0.0001, 2)
		e.ones(1)
	}},
	{127258, 6, time.Second, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.raw(0xF8, 1) // World Magnetic Model 2020
		e.u(v.days(), 1, 2)
		e.s(v.varia, 0.0001, 2)
		e.ones(2)
	}},
	{127488, 2, 100 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.instance), 1)
		e.u(v.rpm+m.offset, 0.25, 2)
		e.u(v.boost, 100, 2)
		e.s(4, 1, 1)
		e.ones(2)
	}},
	{127489, 2, 500 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.instance), 1)
		e.u(v.oil, 100, 2)
		e.u(v.engineT+6, 0.1, 2)
		e.u(v.engineT, 0.01, 2)
		e.s(v.charge, 0.01, 2)
		e.s(v.fuelRate, 0.1, 2)
		e.u(v.hours, 1, 4)
		e.u(105000, 100, 2)
		e.u(310000, 1000, 2)
		e.ones(1)
		e.raw(0, 2)
		e.raw(0, 2)
		e.s(v.load*100, 1, 1)
		e.s(v.load*90, 1, 1)
	}},
	{127493, 2, 100 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.instance), 1)
		e.raw(0xFC|uint64(v.gear), 1)
		e.u(v.gearOil, 100, 2)
		e.u(v.engineT-14, 0.1, 2)
		e.raw(0, 1)
		e.ones(1)
	}},
	{127505, 6, 2500 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		level, capacity := v.fuel, 400.0
		switch m.variant {
		case 1:
			level, capacity = v.water, 250
		case 2, 5:
			level, capacity = v.waste, 80
		}
		e.raw(uint64(m.instance&15|m.variant<<4), 1)
		e.s(level*100, 0.004, 2)
		e.u(capacity, 0.1, 4)
		e.ones(1)
	}},
	{127506, 6, 1500 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.raw(uint64(m.instance), 1)
		e.raw(uint64(m.variant), 1)
		e.u(v.soc*100, 1, 1)
		e.u(97, 1, 1)
		e.ones(2)
		e.u(0.03, 0.001, 2)
		e.u(v.soc*400, 1, 2)
	}},
	{127507, 6, 1500 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.instance), 1)
		e.raw(0, 1)
		e.raw(0x05, 1) // float, standalone
		e.raw(0xF1, 1)
		e.ones(2)
	}},
	{127508, 6, 1500 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.instance), 1)
		e.s(v.volts+m.offset, 0.01, 2)
		e.s(v.amps, 0.1, 2)
		e.u(v.cabinT+2, 0.01, 2)
		e.raw(uint64(m.sid), 1)
	}},
	{128259, 2, time.Second, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.u(v.stw, 0.01, 2)
		e.ones(2)
		e.raw(0, 1)
		e.ones(2)
	}},
	{128267, 3, time.Second, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.u(v.depth+m.offset, 0.01, 4)
		e.s(0.4, 0.001, 2)
		e.u(200, 10, 1)
	}},
	{128275, 6, time.Second, func(e *encoder, v *view, m *msg) {
		e.u(v.days(), 1, 2)
		e.u(v.seconds(), 0.0001, 4)
		e.u(v.log, 1, 4)
		e.u(v.trip, 1, 4)
	}},
	{129025, 2, 100 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.s(v.lat, 1e-7, 4)
		e.s(v.lon, 1e-7, 4)
	}},
	{129026, 2, 250 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.raw(0xFC, 1)
		e.u(v.cog, 0.0001, 2)
		e.u(v.sog, 0.01, 2)
		e.ones(2)
	}},
	{129029, 3, time.Second, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.u(v.days(), 1, 2)
		e.u(v.seconds(), 0.0001, 4)
		e.position64(v.lat)
		e.position64(v.lon)
		e.s(2.4, 1e-6, 8)
		e.raw(0x13, 1) // GPS with SBAS, GNSS fix
		e.raw(0xFD, 1)
		e.u(float64(v.sats), 1, 1)
		e.s(v.hdop, 0.01, 2)
		e.s(v.hdop*1.6, 0.01, 2)
		e.s(51.3, 0.01, 4)
		e.raw(0, 1)
	}},
	{129033, 3, time.Second, func(e *encoder, v *view, m *msg) {
		e.u(v.days(), 1, 2)
		e.u(v.seconds(), 0.0001, 4)
		e.s(0, 1, 2)
	}},
	{129038, 4, 4 * time.Second, func(e *encoder, v *view, m *msg) { e.aisPosition(v.pick(m.turn, false), v) }},
	{129039, 4, 8 * time.Second, func(e *encoder, v *view, m *msg) { e.aisPosition(v.pick(m.turn, true), v) }},
	{129283, 3, time.Second, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.raw(0x30, 1)
		e.s(v.xte, 0.01, 4)
		e.ones(2)
	}},
	{129284, 3, time.Second, func(e *encoder, v *view, m *msg) {
		dir, dist := v.bearing()
		e.raw(uint64(m.sid), 1)
		e.u(dist, 0.01, 4)
		e.raw(0x40, 1) // true bearing, nothing reached, rhumb line
		e.u(math.Mod(v.seconds()+dist/v.sog, 86400), 0.0001, 4)
		e.u(v.days()+math.Floor((v.seconds()+dist/v.sog)/86400), 1, 2)
		e.u(dir, 0.0001, 2)
		e.u(dir, 0.0001, 2)
		e.raw(1, 4)
		e.raw(2, 4)
		e.s(v.wpLat, 1e-7, 4)
		e.s(v.wpLon, 1e-7, 4)
		e.s(v.sog*math.Cos(v.cog-dir), 0.01, 2)
	}},
	{129539, 6, time.Second, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.raw(0xD3, 1) // automatic, 3D
		e.s(v.hdop, 0.01, 2)
		e.s(v.hdop*1.3, 0.01, 2)
		e.s(v.hdop*0.8, 0.01, 2)
	}},
	{129540, 6, time.Second, func(e *encoder, v *view, m *msg) {
		n := min(v.sats, 12)
		e.raw(uint64(m.sid), 1)
		e.raw(0xFF, 1)
		e.raw(uint64(n), 1)
		for i := range n {
			e.raw(uint64(2+i*3%31), 1)
			e.s((15+float64(i*6))*rad, 0.0001, 2)
			e.u(float64(i*29%360)*rad, 0.0001, 2)
			e.s(38+float64(i%8), 0.01, 2)
			e.raw(0x7FFFFFFF, 4)
			e.raw(0xF2, 1) // used
		}
	}},
	{129794, 6, 24 * time.Second, func(e *encoder, v *view, m *msg) {
		t := v.pick(m.turn, false)
		e.raw(5, 1)
		e.raw(uint64(t.mmsi), 4)
		e.raw(0, 4)
		e.text(t.callsign, 7, '@')
		e.text(t.name, 20, ' ')
		e.raw(uint64(t.kind), 1)
		e.u(t.length, 0.1, 2)
		e.u(t.beam, 0.1, 2)
		e.u(t.beam/2, 0.1, 2)
		e.u(t.length/3, 0.1, 2)
		e.u(v.days()+1, 1, 2)
		e.u(9*3600, 0.0001, 4)
		e.u(t.draught, 0.01, 2)
		e.text(t.dest, 20, ' ')
		e.raw(0x05, 1)
		e.raw(0xE0, 1)
		e.raw(uint64(m.sid), 1)
	}},
	{129809, 6, 30 * time.Second, func(e *encoder, v *view, m *msg) {
		t := v.pick(m.turn, true)
		e.raw(24, 1)
		e.raw(uint64(t.mmsi), 4)
		e.text(t.name, 20, ' ')
		e.raw(0xE0, 1)
		e.raw(uint64(m.sid), 1)
	}},
	{129810, 6, 30 * time.Second, func(e *encoder, v *view, m *msg) {
		t := v.pick(m.turn, true)
		e.raw(24, 1)
		e.raw(uint64(t.mmsi), 4)
		e.raw(uint64(t.kind), 1)
		e.text("GAN", 7, '@')
		e.text(t.callsign, 7, '@')
		e.u(t.length, 0.1, 2)
		e.u(t.beam, 0.1, 2)
		e.u(t.beam/2, 0.1, 2)
		e.u(t.length/3, 0.1, 2)
		e.raw(0, 4)
		e.raw(0xFC, 1)
		e.raw(0xE0, 1)
		e.raw(uint64(m.sid), 1)
	}},
	{130306, 2, 100 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		speed, angle := v.aws, v.awa
		if m.variant == 0 {
			speed, angle = v.tws, v.twd
		}
		e.raw(uint64(m.sid), 1)
		e.u(speed, 0.01, 2)
		e.u(angle, 0.0001, 2)
		e.raw(0xF8|uint64(m.variant&7), 1)
		e.ones(2)
	}},
	{130310, 5, 500 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.u(v.seaT, 0.01, 2)
		e.u(v.airT, 0.01, 2)
		e.u(v.pressure, 100, 2)
		e.ones(1)
	}},
	{130311, 5, 500 * time.Millisecond, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.raw(0x41, 1) // outside temperature, outside humidity
		e.u(v.airT, 0.01, 2)
		e.s(v.humidity*100, 0.004, 2)
		e.u(v.pressure, 100, 2)
	}},
	{130312, 5, 2 * time.Second, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.raw(uint64(m.instance), 1)
		e.raw(uint64(m.variant), 1)
		e.u(v.temperature(m.variant), 0.01, 2)
		e.ones(3)
	}},
	{130314, 5, 2 * time.Second, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.raw(uint64(m.instance), 1)
		e.raw(uint64(m.variant), 1)
		e.s(v.pressure, 0.1, 4)
		e.ones(1)
	}},
	{130316, 5, 2 * time.Second, func(e *encoder, v *view, m *msg) {
		e.raw(uint64(m.sid), 1)
		e.raw(uint64(m.instance), 1)
		e.raw(uint64(m.variant), 1)
		e.u(v.temperature(m.variant), 0.001, 3)
		e.ones(2)
	}},
	{130577, 3, time.Second, func(e *encoder, v *view, m *msg) {
		e.raw(0xC0, 1)
		e.raw(uint64(m.sid), 1)
		e.u(v.cog, 0.0001, 2)
		e.u(v.sog, 0.01, 2)
		e.u(v.heading, 0.0001, 2)
		e.u(v.stw, 0.01, 2)
		e.u(v.set, 0.0001, 2)
		e.u(v.drift, 0.01, 2)
	}},
}

// findKind finds a message. The proprietary ranges are filled with a manufacturer's code and made-up bytes.
func findKind(number uint32) (kind, bool) {
	i := sort.Search(len(kinds), func(i int) bool { return kinds[i].pgn >= number })
	if i < len(kinds) && kinds[i].pgn == number {
		return kinds[i], true
	}
	if number >= 65280 && number <= 65535 || number >= 130816 && number <= 131071 {
		return kind{number, 7, time.Second, proprietary}, true
	}
	return kind{}, false
}

// proprietary is a manufacturer's own message: manufacturer code 11 bits, two reserved, industry group 4, then what only the manufacturer understands.
func proprietary(e *encoder, v *view, m *msg) {
	e.raw(uint64(m.manufacturer&0x7FF)|3<<11|4<<13, 2)
	length := max(m.length, 8)
	x := uint64(m.turn)*0x9E3779B97F4A7C15 + uint64(m.instance)
	for len(e.b) < length {
		x ^= x << 13
		x ^= x >> 7
		x ^= x << 17
		e.b = append(e.b, byte(x>>32))
	}
}

// position64 appends a position in 1e-16 degree, finer than a float64 of degrees times 1e16 could be rounded.
func (e *encoder) position64(deg float64) {
	if e.empty {
		e.raw(math.MaxInt64, 8)
		return
	}
	e.b = binary.LittleEndian.AppendUint64(e.b, uint64(int64(math.Round(deg*1e9))*1e7))
}

// aisPosition appends a class A (129038) or class B (129039) position report.
func (e *encoder) aisPosition(t *target, v *view) {
	id := uint64(1)
	if t.classB {
		id = 18
	}
	e.raw(id, 1)
	e.raw(uint64(t.mmsi), 4)
	e.s(t.lon, 1e-7, 4)
	e.s(t.lat, 1e-7, 4)
	e.raw(uint64(math.Mod(v.seconds(), 60))<<2|1, 1)
	e.u(t.cog, 0.0001, 2)
	e.u(t.sog, 0.01, 2)
	e.raw(0, 3) // communication state, received on channel A
	e.u(t.cog, 0.0001, 2)
	if t.classB {
		e.raw(0, 1)
		e.raw(0x74, 1) // carrier sense, display, DSC and band flags, mode autonomous
		e.raw(0xFE, 1)
	} else {
		e.s(t.crossTurn, 3.125e-5, 2)
		e.raw(0xF0, 1) // under way using engine
		e.raw(0xFC, 1)
	}
	e.ones(1)
}

// pick chooses a target of the class.
func (v *view) pick(turn int, classB bool) *target {
	n := 0
	for i := range v.targets {
		if v.targets[i].classB == classB {
			n++
		}
	}
	turn %= n
	for i := range v.targets {
		if v.targets[i].classB == classB {
			if turn == 0 {
				return &v.targets[i]
			}
			turn--
		}
	}
	return &v.targets[0]
}

// temperature is the value for a temperature source: 0 sea, 1 outside, 3 engine room, 7 refrigeration, 14 exhaust, else cabin.
func (v *view) temperature(source uint8) float64 {
	switch source {
	case 0:
		return v.seaT
	case 1:
		return v.airT
	case 3:
		return v.engineT - 40
	case 7:
		return 5.5 + kelv
	case 14:
		return 240 + kelv + v.load*100
	}
	return v.cabinT
}
