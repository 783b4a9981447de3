package check_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/pgn"
)

// A fault is something wrong aboard of a stated size, and the check that has to notice it. prepare builds what it
// takes before the boat lives and gives what breaks; also lists checks that may report it too.
type fault struct {
	check   string
	size    string
	prepare func(c *craft) (breaks func())
	also    []string
	within  time.Duration // when to stop waiting; five minutes when not given
}

// faultsAboard lists the faults. Sizes are those at which a technician needs the report.
func faultsAboard() []fault {
	return slices.Concat(faultsOfUnits(), faultsOfData(), faultsOfTheBus(), faultsOfTheLine(), faultsOnPaper(), faultsOfOthers())
}

func faultsOfUnits() []fault {
	return []fault{
		{check: "silent", size: "a unit stops", prepare: func(c *craft) func() {
			u := c.any(60, 140)
			return func() { u.off = true }
		}, also: []string{"no-heartbeat"}},
		{check: "restarted", size: "a unit restarts after 20 s", prepare: func(c *craft) func() {
			u := c.any(60, 135)
			return func() {
				u.off = true
				c.later(20*time.Second, func() { u.off = false; u.appear() })
			}
		}},
		{check: "slow-data", size: "depth each 8 s instead of each second", prepare: func(c *craft) func() {
			m := c.any(60, 135).message(128267)
			return func() { m.every = 8 * time.Second }
		}},
		{check: "empty-data", size: "a sounder without an echo", prepare: func(c *craft) func() {
			m := c.any(60, 135).message(128267)
			return func() { m.payload = func() []byte { return c.pay(0).ones(7) } }
		}},
		{check: "not-identified", size: "a unit that does not give its product information", prepare: func(c *craft) func() {
			u := c.add("TK4", 75, 150)
			u.declared, u.off, u.taken = false, true, true
			u.each(2500*time.Millisecond, 127505, func() []byte { return c.pay(9 | 1<<4).u16(9000).u32(900).ones(1) })
			return func() { u.off = false; u.appear() }
		}},
		{check: "unclaimed-source", size: "a sender without an address claim", prepare: func(c *craft) func() {
			u := c.add("TK4", 75, 150)
			u.off, u.declared, u.taken, u.name = true, false, true, 0
			u.each(2500*time.Millisecond, 127505, func() []byte { return c.pay(9 | 1<<4).u16(9000).u32(900).ones(1) })
			return func() { u.off = false }
		}},
		{check: "no-address", size: "a unit that finds no address", prepare: func(c *craft) func() {
			u := c.any(75, 150)
			return func() {
				u.frame(pgn.MakeID(6, 60928, pgn.Null, pgn.Global), u.name.Append(nil))
				u.off = true
			}
		}, also: []string{"silent"}},
		{check: "address-contested", size: "two units claim one address again and again", prepare: func(c *craft) func() {
			a, b := c.any(75, 150), c.any(60, 135)
			return func() {
				c.every(4*time.Second, func() {
					a.address = b.address
					a.frame(pgn.MakeID(6, 60928, b.address, pgn.Global), a.name.Append(nil))
					b.frame(pgn.MakeID(6, 60928, b.address, pgn.Global), b.name.Append(nil))
				})
			}
		}, also: []string{"instance-clash", "slow-data", "silent"}},
		{check: "duplicate-name", size: "two units with one NAME", prepare: func(c *craft) func() {
			a := c.any(75, 150)
			b := c.add("TK4", 75, 150)
			b.name, b.off, b.taken, b.serial = a.name, true, true, "S9"
			b.each(2500*time.Millisecond, 127505, func() []byte { return c.pay(9 | 1<<4).u16(9000).u32(900).ones(1) })
			return func() {
				b.off = false
				c.every(5*time.Second, func() { b.appear(); a.appear() })
			}
		}, also: []string{"address-contested", "restarted", "instance-clash", "unclaimed-source"}},
		{check: "address-shared", size: "a receiver sends from the address of another", prepare: func(c *craft) func() {
			a, b := c.any(60, 145), c.any(60, 145)
			return func() {
				b.address = a.address
				b.message(129029).order = a.message(129029).order + 4
			}
		}, also: []string{"silent", "no-heartbeat", "sources-disagree", "clock-mismatch", "incomplete-messages"}},
		{check: "address-shared", size: "a compass, which numbers its messages, sends from the address of another", prepare: func(c *craft) func() {
			a, b := c.any(60, 140), c.any(60, 140)
			for i, u := range []*unit{a, b} {
				f := u.name.Fields()
				f.UniqueNumber = 3000 + 3*uint32(i)
				u.name = f.NAME()
			}
			return func() {
				b.address = a.address
				b.message(127251).order = (a.message(127251).order + 100) % 253
			}
		}, also: []string{"silent", "no-heartbeat", "sources-disagree", "clock-mismatch", "incomplete-messages"}},
		{check: "address-shared", size: "a compass that numbers nothing loses its address to one of its make, and sends on", prepare: func(c *craft) func() {
			a, b := c.any(60, 140), c.any(60, 140)
			for i, u := range []*unit{a, b} {
				f := a.name.Fields()
				f.UniqueNumber = 3002 + 3*uint32(i)
				u.name = f.NAME()
				for _, m := range u.messages {
					if of := a.message(m.number); of != nil {
						m.every = of.every
					}
				}
			}
			return func() {
				b.address = a.address
				b.appear()
				a.appear()
			}
		}, also: []string{"silent", "no-heartbeat", "sources-disagree", "clock-mismatch", "incomplete-messages"}},
		{check: "address-shared", size: "two displays with one NAME and one address answer together", prepare: func(c *craft) func() {
			a, b := c.any(120, 130), c.any(120, 130)
			return func() {
				b.name, b.address, b.messages = a.name, a.address, nil
				c.every(40*time.Second, func() { a.appear(); b.appear() })
			}
		}, also: []string{"silent", "no-heartbeat", "restarted"}},
		{check: "same-serial", size: "two displays report one serial number", prepare: func(c *craft) func() {
			a, b := c.any(120, 130), c.any(120, 130)
			return func() { b.serial = a.serial; b.appear() }
		}},
		{check: "software-differs", size: "two displays of one model run 1.10 and 1.20", prepare: func(c *craft) func() {
			u := c.add("LF9", 120, 130)
			u.off, u.taken, u.version = true, true, "1.20"
			c.any(120, 130)
			u.beats()
			return func() { u.off = false; u.appear() }
		}},
		{check: "too-many-devices", size: "53 devices on one backbone", prepare: func(c *craft) func() {
			var more []*unit
			for i := 0; len(c.units) < 54; i++ { // the talker is not on the backbone
				u := c.add("TK4", 75, 150)
				instance := uint8(10 + i)
				u.off = true
				u.each(10*time.Second, 127505, func() []byte { return c.pay(instance&0xF | 2<<4).u16(9000).u32(900).ones(1) })
				more = append(more, u)
			}
			return func() {
				for _, u := range more {
					u.off = false
					u.appear()
				}
			}
		}, also: []string{"instance-clash", "slow-data"}},
		{check: "no-heartbeat", size: "the heartbeat of a unit stops", prepare: func(c *craft) func() {
			u := c.any(75, 150)
			u.beats()
			m := u.message(126993)
			return func() { m.off = true }
		}, within: 6 * time.Minute},
		{check: "equipment-status", size: "a unit reports a fault of its own", prepare: func(c *craft) func() {
			u := c.any(75, 150)
			u.beats()
			return func() { u.channels["fault"] = &channel{} }
		}, within: 6 * time.Minute},
	}
}

func faultsOfData() []fault {
	// differ lets one of two units be off from the other, the far way round from where they are.
	differ := func(size, name string, by float64, ready func(t *truth), units func(c *craft) (a, b *unit)) fault {
		return fault{check: "sources-disagree", size: size, prepare: func(c *craft) func() {
			a, b := units(c)
			c.varies()
			if ready != nil {
				ready(&c.truth)
			}
			return func() {
				way := math.Copysign(1, b.channels[name].bias-a.channels[name].bias)
				b.channels[name].bias = a.channels[name].bias + way*by
			}
		}}
	}
	off := func(size, name string, class, function uint8, by float64, ready func(t *truth)) fault {
		return differ(size, name, by, ready, func(c *craft) (a, b *unit) { return c.any(class, function), c.any(class, function) })
	}
	onLine := func(size, name string, class, function uint8, by float64, ready func(t *truth)) fault {
		return differ(size+" on the line", name, by, ready, func(c *craft) (a, b *unit) { return c.any(class, function), c.onLine() })
	}
	const metre = 1 / 111_200.0
	underWay := func(t *truth) { t.want, t.speed = max(t.want, 3), max(t.speed, 3) }
	return []fault{
		off("position 100 m off", "lat", 60, 145, 100*metre, nil),
		off("heading 15 degrees off", "heading", 60, 140, 15*math.Pi/180, nil),
		off("course 30 degrees off", "course", 60, 145, 30*math.Pi/180, underWay),
		off("speed over ground 3 kn off", "speed", 60, 145, 3*1852.0/3600, underWay),
		off("depth 6 m off", "depth", 60, 135, 6, nil),
		off("roll 8 degrees off", "roll", 60, 140, 8*math.Pi/180, nil),
		off("water temperature 5 degrees off", "water", 60, 135, 5, nil),
		off("pressure 8 hPa off", "air", 85, 140, 800, nil),
		off("wind angle 35 degrees off", "angle", 85, 130, 35*math.Pi/180,
			func(t *truth) { t.wind = max(t.wind, 7) }),
		onLine("depth 6 m off", "depth", 60, 135, 6, nil),
		onLine("heading 15 degrees off", "heading", 60, 140, 15*math.Pi/180, nil),
		onLine("wind angle 35 degrees off", "angle", 85, 130, 35*math.Pi/180, func(t *truth) { t.wind = max(t.wind, 7) }),
		differ("which of three depths or more is 8 m off", "depth", 8, nil, func(c *craft) (a, b *unit) {
			a, b = c.any(60, 135), c.any(60, 135)
			c.names["sources-disagree"] = fmt.Sprintf("only %s (address %d) differs", b.model, b.address)
			return a, b
		}),
		{check: "sources-disagree", size: "a heading that wanders all round", prepare: func(c *craft) func() {
			_, b := c.any(60, 140), c.any(60, 140)
			c.varies()
			return func() { b.channels["heading"].noise = 3 }
		}},
		{check: "clock-mismatch", size: "time on the line 18 s ahead", prepare: func(c *craft) func() {
			c.any(60, 145)
			return func() { c.onLine().channels["clock"].bias = 18 }
		}},
		{check: "clock-mismatch", size: "satellite time 18 s ahead", prepare: func(c *craft) func() {
			a, _ := c.any(60, 145), c.any(60, 145)
			return func() { a.channels["clock"].bias = 18 }
		}},
		{check: "clock-mismatch", size: "satellite time 1024 weeks behind", prepare: func(c *craft) func() {
			a, _ := c.any(60, 145), c.any(60, 145)
			return func() { a.channels["clock"].bias = -1024 * 7 * 86400 }
		}},
		{check: "low-voltage", size: "0.4 V below the limit of 11.5 V of a 12 V bank", prepare: lowBank(0.4)},
		{check: "multiple-sources", size: "a second compass", prepare: func(c *craft) func() {
			c.names["multiple-sources"] = "heading"
			c.units = slices.DeleteFunc(c.units, func(u *unit) bool { return u.model == "HC1" || u.name == 0 })
			c.compass()
			u := c.compass()
			u.off = true
			return func() { u.off = false; u.appear() }
		}},
		{check: "multiple-sources", size: "a compass on the line beside one on the backbone", prepare: func(c *craft) func() {
			c.names["multiple-sources"] = "heading"
			c.any(60, 140)
			c.units = slices.DeleteFunc(c.units, func(u *unit) bool { return u.model == "HC1" && !u.taken })
			u := c.onLine()
			u.off = true
			return func() { u.off = false }
		}},
		{check: "instance-clash", size: "a second battery monitor with instance 0", prepare: func(c *craft) func() {
			c.names["instance-clash"] = "battery instance 0"
			if c.count(35, 170) == 0 {
				c.battery(0, 12)
			}
			u := c.battery(0, 12)
			u.off = true
			return func() { u.off = false; u.appear() }
		}},
		{check: "data-loop", size: "a gateway sends course and speed back, 0.2 to 4 s late", prepare: loop(1, 1), also: []string{"sources-disagree"}, within: 5 * time.Minute},
		{check: "data-loop", size: "the same by way of sentences, rounded to 0.1 degree and 0.1 kn", prepare: loop(17.45, 5.144), also: []string{"sources-disagree"}, within: 5 * time.Minute},
		{check: "data-loop", size: "depth that went out on the line and came back, with the way", prepare: (*craft).loopByLine, also: []string{"sources-disagree"}, within: 10 * time.Minute},
	}
}

// lowBank lets the voltage of the first bank fall to so much below the limit, both for 12 V and in proportion for others.
func lowBank(by float64) func(*craft) func() {
	return func(c *craft) func() {
		c.units = slices.DeleteFunc(c.units, func(u *unit) bool { return u.model == "Tavrik 7" })
		nominal := []int{12, 12, 24, 24, 48, 36, 6}[c.r.IntN(7)]
		u := c.battery(0, nominal)
		u.name = withInstance(u.name, 0)
		if u.message(127513) == nil { // else an empty bank of 24 V may be one of 12 V, and that is not judged
			code := map[int]uint8{12: 1, 24: 2, 48: 6}[nominal]
			u.each(10*time.Second, 127513, func() []byte { return c.pay(0, 0xF0, code|0x10).ones(7) })
		}
		return func() { u.channels["volts"].bias = (11.5 - by) * float64(nominal) / 12 }
	}
}

// loop is a gateway that puts what it received of a receiver back on the same bus. Course and speed come rounded to
// so many of their units of 0.0001 rad and 0.01 m/s.
func loop(course, speed float64) func(*craft) func() {
	return func(c *craft) func() { return c.loop(course, speed) }
}

func (c *craft) loop(course, speed float64) func() {
	c.truth.want, c.truth.speed = max(c.truth.want, 3), max(c.truth.speed, 3)
	from := c.any(60, 145)
	u := c.add("IN1", 25, 130)
	u.off = true
	delay := time.Duration(200+c.r.IntN(3800)) * time.Millisecond
	every := []time.Duration{250 * time.Millisecond, time.Second}[c.r.IntN(2)]
	var heard []event.Event
	c.taps = append(c.taps, func(e *event.Event) {
		if id := pgn.ID(e.Frame.ID); e.Kind == event.KindFrame && id.Source() == from.address && id.PGN() == 129026 {
			if heard = append(heard, *e); len(heard) > 100 {
				heard = heard[1:]
			}
		}
	})
	u.each(every, 129026, func() []byte {
		data := c.pay(0, 0xFC).ones(6)
		for i := range heard {
			if c.now.Sub(heard[i].Time) >= delay {
				d := heard[i].Frame.Data
				rounded := func(at int, to float64) float64 {
					return math.Round(float64(binary.LittleEndian.Uint16(d[at:]))/to) * to
				}
				data = c.pay(0, 0xFC).u16(rounded(2, course)).u16(rounded(4, speed)).ones(2)
			}
		}
		return data
	})
	return func() { u.off = false; u.appear() }
}

// loopByLine is a gateway that sends the depth out on the line, and another that puts it back.
func (c *craft) loopByLine() func() {
	c.truth.want, c.truth.speed = max(c.truth.want, 3), max(c.truth.speed, 3)
	c.names["data-loop"] = "II on line"
	from, out, back := c.any(60, 135), c.add("out", 60, 0), c.add("IN1", 25, 130)
	out.name, out.declared, out.off, out.taken, back.off = 0, false, true, true, true
	sent, written := 0.0, 0.0
	c.taps = append(c.taps, func(e *event.Event) {
		switch id := pgn.ID(e.Frame.ID); {
		case e.Kind == event.KindFrame && id.Source() == from.address && id.PGN() == 128267:
			sent = float64(binary.LittleEndian.Uint32(e.Frame.Data[1:])) / 100
		case e.Kind == event.KindLine:
			_, _ = fmt.Sscanf(string(e.Line), "$IIDPT,%f,", &written)
		}
	})
	delay := time.Duration(100+c.r.IntN(400)) * time.Millisecond
	m := out.says(time.Second, func() string { return fmt.Sprintf("IIDPT,%.1f,-0.9,", sent) })
	n := back.each(time.Second, 128267, func() []byte { return c.pay(0).u32(written * 100).u16(-900).ones(1) })
	return func() {
		out.off, back.off = false, false
		back.appear()
		m.next = c.now.Add(delay)
		n.next = m.next.Add(2 * delay)
	}
}

func faultsOfTheBus() []fault {
	return []fault{
		{check: "bus-load-high", size: "60 % load", prepare: func(c *craft) func() {
			u := c.any(120, 130)
			m := u.each(tick, 65300, nil)
			m.off = true
			m.payload = func() []byte {
				for range 47 { // with this message, 54 %; what a boat sends besides is 5 to 15 %
					u.frame(pgn.MakeID(7, 65300, u.address, pgn.Global), c.pay(0xD1, 0x9F, 1, 2, 3, 4, 5, 6))
				}
				return c.pay(0xD1, 0x9F, 1, 2, 3, 4, 5, 6)
			}
			return func() { m.off = false }
		}},
		{check: "bus-errors", size: "five error frames a minute", prepare: func(c *craft) func() {
			return func() {
				c.every(12*time.Second, func() {
					c.put(event.Event{Kind: event.KindErrorFrame, Time: c.now, Frame: can.Frame{ID: 0x008, Length: 8, Data: can.Data{0, 0, 0x04, 0x0B}}})
				})
			}
		}},
		{check: "bus-off", size: "the controller leaves the bus", prepare: func(c *craft) func() {
			return func() {
				c.put(event.Event{Kind: event.KindController, Time: c.now, Count: 3})
				c.hooks = append(c.hooks, func(e *event.Event) bool { return e.Network == 1 })
			}
		}, also: []string{"silent", "no-heartbeat"}},
		{check: "frames-dropped", size: "three frames a minute are lost on the way to muster", prepare: func(c *craft) func() {
			return func() {
				c.every(20*time.Second, func() { c.put(event.Event{Kind: event.KindDropped, Time: c.now, Count: 1}) })
			}
		}},
		{check: "incomplete-messages", size: "a tenth of the frames of long messages is missing", prepare: func(c *craft) func() {
			c.any(60, 145)
			return func() {
				c.hooks = append(c.hooks, func(e *event.Event) bool {
					return e.Kind != event.KindFrame || pgn.ID(e.Frame.ID).PGN() != 129029 || c.r.IntN(10) > 0
				})
			}
		}},
		{check: "wrong-bit-rate", size: "the interface runs at 500 kbit/s", prepare: func(c *craft) func() {
			return func() { c.put(event.Event{Kind: event.KindBitRate, Time: c.now, Count: 500_000}) }
		}},
	}
}

func faultsOfTheLine() []fault {
	lines := func(spoil func(c *craft, e *event.Event)) func(*craft) func() {
		return func(c *craft) func() {
			return func() {
				c.hooks = append(c.hooks, func(e *event.Event) bool {
					if e.Kind == event.KindLine {
						spoil(c, e)
					}
					return true
				})
			}
		}
	}
	return []fault{
		{check: "bad-checksum", size: "one character in twenty sentences is wrong", prepare: lines(func(c *craft, e *event.Event) {
			if c.r.IntN(20) == 0 {
				e.Line[7] ^= 1
			}
		})},
		{check: "garbled-line", size: "one line in twenty is noise", prepare: lines(func(c *craft, e *event.Event) {
			if c.r.IntN(20) == 0 {
				for i := range e.Line {
					e.Line[i] = byte(128 + c.r.IntN(128))
				}
			}
		})},
		{check: "sentence-late", size: "one sentence stops", prepare: func(c *craft) func() {
			u := c.onLine()
			return func() { u.messages[0].off = true }
		}},
		{check: "line-saturated", size: "a line of 4800 baud at 90 % of its rate", prepare: func(c *craft) func() {
			u := c.onLine()
			m := u.says(300*time.Millisecond, func() string {
				return "GPTXT,01,01,02,the line carries more than it should, and has no room left for any"
			})
			m.off = true
			return func() { m.off = false }
		}},
	}
}

// The rest helps the faults.

func (c *craft) count(class, function uint8) (n int) {
	for _, u := range c.units {
		if f := u.name.Fields(); u.name != 0 && f.DeviceClass == class && f.DeviceFunction == function {
			n++
		}
	}
	return n
}

// varies makes sure that a unit sends the magnetic variation: else a magnetic and a true heading cannot be compared.
func (c *craft) varies() {
	for _, u := range c.units {
		if u.message(127258) != nil {
			return
		}
	}
	u := c.gnss()
	if u.message(127258) == nil {
		u.each(time.Second, 127258, func() []byte { return c.pay(0, 0xF4).ones(2).u16(c.truth.variation * 1e4).ones(2) })
	}
}

// onLine is the instrument on the NMEA 0183 line.
func (c *craft) onLine() *unit {
	return c.units[slices.IndexFunc(c.units, func(u *unit) bool { return u.model == "line" })]
}

// any is a unit of a class and function that no other fault is about, brought aboard if there is none.
func (c *craft) any(class, function uint8) *unit {
	for _, u := range c.units {
		if f := u.name.Fields(); u.name != 0 && !u.taken && f.DeviceClass == class && f.DeviceFunction == function {
			u.taken = true
			return u
		}
	}
	u := map[[2]uint8]func() *unit{
		{60, 145}: c.gnss, {60, 140}: c.compass, {60, 135}: c.sounder, {85, 130}: c.vane, {85, 140}: c.weather, {120, 130}: c.display,
		{75, 150}: func() *unit { return c.tank(uint8(c.count(75, 150))) },
	}[[2]uint8{class, function}]()
	u.taken = true
	return u
}

func (u *unit) message(number uint32) *message {
	for _, m := range u.messages {
		if m.number == number {
			return m
		}
	}
	return nil
}

func withInstance(n pgn.NAME, instance uint8) pgn.NAME {
	f := n.Fields()
	f.DeviceInstance = instance
	return f.NAME()
}

// later and every let something happen as the boat lives on.
func (c *craft) later(d time.Duration, do func()) {
	c.due = append(c.due, &due{at: c.now.Add(d), do: do})
}

func (c *craft) every(d time.Duration, do func()) {
	c.due = append(c.due, &due{at: c.now.Add(d), every: d, do: do})
}

type due struct {
	at    event.Time
	every time.Duration
	do    func()
}

func (c *craft) happen() {
	for _, d := range c.due {
		if d.at <= c.now && d.do != nil {
			d.do()
			if d.at = d.at.Add(d.every); d.every == 0 {
				d.do = nil
			}
		}
	}
}
