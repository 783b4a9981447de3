package check_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"time"
)

// payload is a message under way: fields are appended low byte first.
type payload []byte

// pay begins a message. The bytes are good until the next one begins.
func (c *craft) pay(v ...uint8) payload {
	c.buffer = append(c.buffer[:0], v...)
	return c.buffer
}

func (p payload) u8(v ...uint8) payload { return append(p, v...) }
func (p payload) u16(v float64) payload {
	return binary.LittleEndian.AppendUint16(p, uint16(int64(math.Round(v))))
}
func (p payload) u32(v float64) payload {
	return binary.LittleEndian.AppendUint32(p, uint32(int64(math.Round(v))))
}
func (p payload) u64(v float64) payload {
	return binary.LittleEndian.AppendUint64(p, uint64(int64(math.Round(v))))
}
func (p payload) ones(n int) payload {
	return append(p, []byte{255, 255, 255, 255, 255, 255, 255, 255}[:n]...)
}

// fast is the interval of a message that is published as 100 ms: makers send it as fast as that, or less often.
func (c *craft) fast() time.Duration {
	return []time.Duration{100 * time.Millisecond, 200 * time.Millisecond, 250 * time.Millisecond, 400 * time.Millisecond}[c.r.IntN(4)]
}

func direction(v float64) float64      { return wrap(v) * 1e4 }
func sailing(t *truth) (speed float64) { return max(0, t.speed) }

// gnss is a receiver: position, course, speed, fix and time. Position within 2 to 5 m (95 %), velocity 0.2 m/s (95 %)
// before its filter of 1 to 5 s; antennas are metres apart.
func (c *craft) gnss() *unit {
	u, r, t := c.add("GN5", 60, 145), c.r, &c.truth
	type fix struct{ lat, lon, course, speed float64 }
	at := func() (f fix) {
		const metre = 1 / 111_200.0
		f.lat = u.value("lat", t.lat, 100*time.Millisecond, 2.5*metre, 0.4*metre, false)
		f.lon = u.value("lon", t.lon, 100*time.Millisecond, 2.5*metre/math.Cos(t.lat*math.Pi/180), 0.4*metre, false)
		return f
	}
	moving := func() (f fix) {
		v := sailing(t)
		f.speed = max(0, u.value("speed", v, 3*time.Second, 0, 0.05, false))
		f.course = u.value("course", t.course, 3*time.Second, 0, math.Min(3, 0.1/math.Max(v, 0.03)), true)
		return f
	}
	ahead := 0.0
	u.channels["clock"] = &channel{}
	clock := func() (days, sec float64) {
		ahead = u.channels["clock"].bias // s
		s := float64(c.now)/1e9 + ahead
		return math.Floor(s / 86400), math.Mod(s, 86400)
	}
	u.each(c.fast(), 129025, func() []byte {
		f := at()
		return c.pay().u32(f.lat * 1e7).u32(f.lon * 1e7)
	})
	u.each(250*time.Millisecond, 129026, func() []byte {
		f := moving()
		return c.pay(0, 0xFC).u16(direction(f.course)).u16(f.speed * 100).ones(2)
	})
	u.each(time.Second, 129029, func() []byte {
		f := at()
		days, sec := clock()
		return c.pay(0).u16(days).u32(sec*1e4).u64(f.lat*1e16).u64(f.lon*1e16).u64(2e6).u8(0x10, 0xFC, 9).u16(90).u16(150).u32(0).u8(0)
	})
	u.each(time.Second, 126992, func() []byte {
		days, sec := clock()
		return c.pay(0, 0xF0).u16(days).u32(sec * 1e4)
	})
	if r.IntN(2) == 0 || c.count(60, 145) == 1 { // else a magnetic and a true heading cannot be compared
		u.each(time.Second, 127258, func() []byte {
			return c.pay(0, 0xF4).ones(2).u16(u.value("variation", t.variation, 0, 0.003, 0, false) * 1e4).ones(2)
		})
	}
	return u
}

// compass gives heading, rate of turn and attitude: 1 to 2 degrees, small solid-state sensors (common practice).
func (c *craft) compass() *unit {
	u, t := c.add("HC1", 60, 140), &c.truth
	magnetic := c.r.IntN(3) > 0
	u.each(c.fast(), 127250, func() []byte {
		v := u.value("heading", t.heading(), 200*time.Millisecond, 0.02, 0.005, true)
		if magnetic {
			return c.pay(0).u16(direction(v - t.variation)).u16(0x7FFF).u16(0x7FFF).u8(0xFD)
		}
		return c.pay(0).u16(direction(v)).u16(0x7FFF).u16(0x7FFF).u8(0xFC)
	})
	u.each(c.fast(), 127251, func() []byte {
		return c.pay(0).u32(u.value("turn", t.rate, 500*time.Millisecond, 0.001, 0.003, false) * 32e6).ones(3)
	})
	u.each(time.Second, 127257, func() []byte {
		return c.pay(0).u16(0x7FFF).u16(u.value("pitch", t.pitch, 200*time.Millisecond, 0.01, 0.003, false) * 1e4).
			u16(u.value("roll", t.roll, 200*time.Millisecond, 0.01, 0.003, false) * 1e4).ones(1)
	})
	return u
}

// sounder gives depth (2.5 %) with the offset to the keel, and the speed and temperature of the water.
func (c *craft) sounder() *unit {
	instance := uint8(c.count(60, 135))
	u, t := c.add("SD2", 60, 135), &c.truth
	u.each(time.Second, 128267, func() []byte {
		v := u.value("depth", t.depth, 600*time.Millisecond, 0.012*t.depth, 0.03, false)
		return c.pay(0).u32(max(0.5, v) * 100).u16(-900).ones(1)
	})
	u.each(time.Second, 128259, func() []byte {
		v := sailing(t) * (1 + u.value("log", 0, 0, 0.02, 0.004, false))
		return c.pay(0).u16(v*100).ones(2).u8(0, 0xFF)
	})
	u.each(2*time.Second, 130312, func() []byte {
		return c.pay(0, instance, 0).u16(u.value("water", t.water, 20*time.Second, 0.4, 0.02, false) * 100).ones(3)
	})
	return u
}

// vane gives the apparent wind: 5 % and 3 degrees, damped by 1 to 5 s.
func (c *craft) vane() *unit {
	u, t := c.add("WS1", 85, 130), &c.truth
	u.each(c.fast(), 130306, func() []byte {
		a, v := t.apparent()
		v = max(0, u.value("wind", v, 2*time.Second, 0.03*v, 0.15, false))
		a = u.value("angle", a, 2*time.Second, 0.03, 0.02, true)
		return c.pay(0).u16(v * 100).u16(direction(a)).u8(0xFA).ones(2)
	})
	return u
}

// weather gives pressure and humidity.
func (c *craft) weather() *unit {
	instance := uint8(c.count(85, 140))
	u, t := c.add("AT5", 85, 140), &c.truth
	u.each(2*time.Second, 130314, func() []byte {
		return c.pay(0, instance, 0).u32(u.value("air", t.air, 5*time.Second, 60, 5, false) * 10).ones(1)
	})
	u.each(2*time.Second, 130313, func() []byte {
		return c.pay(0, instance, 1).u16(u.value("damp", t.humidity, 20*time.Second, 1.5, 0.2, false) * 250).ones(3)
	})
	return u
}

// battery monitors a bank: voltages at rest, under load and while charging are those of the chemistry.
func (c *craft) battery(instance uint8, nominal int) *unit {
	u, r := c.add("Tavrik 7", 35, 170), c.r
	codes := map[int]uint8{6: 0, 12: 1, 24: 2, 32: 3, 36: 4, 42: 5, 48: 6}
	volts := float64(nominal) * (0.98 + 0.22*r.Float64())
	u.channels["volts"] = &channel{bias: volts, noise: 0.02}
	u.each(1500*time.Millisecond, 127508, func() []byte {
		return c.pay(instance).u16(u.value("volts", 0, 0, 0, 0, false) * 100).u16(-40 + 20*r.NormFloat64()).ones(2).u8(0xFF)
	})
	u.each(1500*time.Millisecond, 127506, func() []byte {
		return c.pay(0, instance, 0, 80, 98).ones(6)
	})
	if nominal != 12 && nominal != 24 && nominal != 48 || r.IntN(2) == 0 {
		u.each(10*time.Second, 127513, func() []byte {
			return c.pay(instance, 0xF0, codes[nominal]|0x10).ones(7)
		})
	}
	return u
}

// engine gives speed, and what the engine's gateway has besides.
func (c *craft) engine(instance uint8) *unit {
	u, t := c.add("EG2", 50, 160), &c.truth
	u.each(c.fast(), 127488, func() []byte {
		return c.pay(instance).u16(u.value("rpm", t.rpm, time.Second, 3, 4, false) * 4).ones(5)
	})
	u.each(500*time.Millisecond, 127489, func() []byte {
		return c.pay(instance).u16(3500).u16(3600).u16(35700).u16(1410).u16(123).u32(3600*800).ones(4).u8(0xFF).u8(0, 0, 0, 0).u8(60, 40)
	})
	return u
}

// rudder gives the angle of the rudder.
func (c *craft) rudder() *unit {
	u, t := c.add("RS5", 40, 155), &c.truth
	u.each(c.fast(), 127245, func() []byte {
		return c.pay(0, 0xF8).u16(0x7FFF).u16(u.value("rudder", -t.rate, 200*time.Millisecond, 0.01, 0.002, false) * 1e4).ones(2)
	})
	return u
}

// tank gives a level.
func (c *craft) tank(instance uint8) *unit {
	u := c.add("TK4", 75, 150)
	u.each(2500*time.Millisecond, 127505, func() []byte {
		return c.pay(instance | 1<<4).u16(u.value("level", 55, 10*time.Second, 10, 0.2, false) * 250).u32(2000).ones(1)
	})
	return u
}

// display sends once a minute only.
func (c *craft) display() *unit {
	u := c.add("LF9", 120, 130)
	u.beats()
	return u
}

// beats adds a heartbeat of the usual 60 s.
func (u *unit) beats() {
	c := u.c
	n := uint8(0)
	m := u.each(time.Minute, 126993, func() []byte {
		n = (n + 1) % 253
		return c.pay().u16(60000).u8(n, u.state()).ones(4)
	})
	m.next = u.c.start.Add(2*time.Second + time.Duration(u.c.r.IntN(40))*time.Second)
}

// state is the byte of the heartbeat: both controllers active, the equipment in order unless it is not.
func (u *unit) state() uint8 {
	if u.channels["fault"] != nil {
		return 0xD0 // equipment 1: a fault
	}
	return 0xC0
}

// talker is an instrument on the NMEA 0183 line.
func (c *craft) talker() *unit {
	u, t := c.add("line", 60, 0), &c.truth
	u.name, u.declared = 0, false
	v := func(what string, truth float64, damping time.Duration, bias, noise float64, circular bool) float64 {
		return u.value(what, truth, damping, bias, noise, circular)
	}
	u.says(time.Second, func() string {
		return fmt.Sprintf("SDDPT,%.1f,-0.9,", max(1, v("depth", t.depth, time.Second, 0.012*t.depth, 0.03, false)))
	})
	u.says(time.Second, func() string {
		return fmt.Sprintf("HCHDT,%.1f,T", wrap(v("heading", t.heading(), 200*time.Millisecond, 0.02, 0.005, true))*180/math.Pi)
	})
	u.channels["clock"] = &channel{}
	u.says(time.Second, func() string {
		return c.now.Add(time.Duration(u.channels["clock"].bias * 1e9)).UTC().Format("GPZDA,150405.00,02,01,2006,00,00")
	})
	u.says(time.Second, func() string {
		a, s := t.apparent()
		return fmt.Sprintf("WIMWV,%.1f,R,%.1f,N,A", v("angle", a, 2*time.Second, 0.03, 0.02, true)*180/math.Pi,
			max(0, v("wind", s, 2*time.Second, 0.03*s, 0.15, false))*3600/1852)
	})
	u.says(time.Second, func() string {
		return fmt.Sprintf("GPVTG,%.1f,T,,M,%.1f,N,%.1f,K,A", v("course", t.course, 3*time.Second, 0, math.Min(3, 0.1/math.Max(t.speed, 0.03)), true)*180/math.Pi,
			t.speed*3600/1852, t.speed*3.6)
	})
	return u
}

// equip brings a random choice of sound units aboard, sometimes several that measure the same. Every other boat is a small one.
func (c *craft) equip() {
	r := c.r
	small := r.IntN(2) == 0
	times := func(most int, add func(i int)) {
		n := 1 + r.IntN(most)
		if small {
			n = r.IntN(2)
		}
		for i := range n {
			add(i)
		}
	}
	nominal := []int{12, 12, 12, 24, 24, 48, 36, 6, 32}[r.IntN(9)]
	times(2, func(int) { c.gnss() })
	times(2, func(int) { c.compass() })
	times(2, func(int) { c.sounder() })
	times(2, func(int) { c.vane() })
	times(2, func(int) { c.weather() })
	times(3, func(i int) { c.battery(uint8(i), nominal) })
	times(2, func(i int) { c.engine(uint8(i)) })
	times(3, func(i int) { c.tank(uint8(i)) })
	times(2, func(int) { c.display() })
	times(1, func(int) { c.rudder() })
	for _, u := range c.units {
		if r.IntN(3) == 0 && len(u.messages) > 1 {
			u.beats()
		}
	}
	c.talker()
}
