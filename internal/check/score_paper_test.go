package check_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"muster/internal/backbone"
	"muster/internal/check"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/snapshot"
	"muster/pgn"
)

// sheetsOfShop cover every model of the generator; 1.10 is current. The sounder's needs a display of the same.
var sheetsOfShop = sync.OnceValue(func() *release.Sheets {
	var b strings.Builder
	b.WriteString("schema: muster.sheet/v1\nmodels:\n")
	for _, model := range []string{"GN5", "HC1", "SD2", "WS1", "AT5", "Tavrik 7", "EG2", "RS5", "TK4", "LF9", "IN1"} {
		needs, family := "", ""
		switch model {
		case "SD2":
			needs = ", needs: [{family: displays, at_least: 1.10}]"
		case "LF9":
			family = ", family: displays"
		}
		fmt.Fprintf(&b, "  - {name: %s%s, match: {manufacturer_code: 2001, model: %q}, numbering: {scheme: decimal, pattern: '([0-9]+\\.[0-9]+)'}, "+
			"minutes: 5, medium: {kind: network, file: x}, releases: [{version: 1.00}, {version: 1.10%s}]}\n", model, family, model, needs)
	}
	s, err := release.Load(context.Background(), release.SheetFile{Name: "shop.yaml", Data: []byte(b.String())})
	if err != nil {
		panic(err)
	}
	return s
})

// A plan is the layout of a craft's backbone as its installer drew it.
type plan struct {
	length      float64 // of the backbone
	drop        float64 // of the first unit
	ports       int
	terminators string
	power       []string // at the middle when not given
	load        float64  // of each unit, as planned
	volts       float64
}

func soundPlan() plan {
	return plan{length: 60, drop: 2, terminators: "[p0, end]", load: 1, volts: 12.8}
}

// rules are those of the layout of the units aboard, each at a tee of its own.
func (c *craft) rules(p plan) []check.Rule {
	var segments, tees, power strings.Builder
	n, aboard := 0, 0
	for _, u := range c.units {
		if u.name != 0 && !u.off {
			aboard++
		}
	}
	for _, u := range c.units {
		if u.name == 0 || u.off {
			continue
		}
		length := 1.5
		if n == 0 {
			length = p.drop
		}
		ports := ""
		more := ""
		if n == 0 && p.ports > 0 {
			ports = fmt.Sprintf(", ports: %d", p.ports)
			more = ", {length: 1 m, device: spare one, role: other, load: 0}"
		}
		fmt.Fprintf(&segments, "  - {from: p%d, to: p%d, length: %.1f m, cable: micro}\n", n, n+1, (p.length-1)/float64(aboard))
		fmt.Fprintf(&tees, "  - {at: p%d%s, drops: [{length: %.1f m, device: u%d, name: %q, load: %g}%s]}\n", n, ports, length, n, u.name.String(), p.load, more)
		n++
	}
	fmt.Fprintf(&segments, "  - {from: p%d, to: end, length: 1 m, cable: micro}\n", n)
	if p.power == nil {
		p.power = []string{fmt.Sprintf("p%d", n/2)}
	}
	for _, at := range p.power {
		fmt.Fprintf(&power, "  - {at: %s, voltage: %.1f V, fuse: 3 A, cable: mid, length: 2 m}\n", at, p.volts)
	}
	text := fmt.Sprintf("network: can0\nsegments:\n%stees:\n%sterminators: %s\npower:\n%s", segments.String(), tees.String(), p.terminators, power.String())
	l, err := backbone.Parse(context.Background(), "layout.yaml", []byte(text))
	if err != nil {
		panic(err)
	}
	return backbone.Rules([]*backbone.Plan{backbone.NewPlan(l)})
}

// baseline takes the boat as it is now.
func (c *craft) baseline() []check.Rule {
	return snapshot.Rules(snapshot.New(report.New(c.watch.State(), nil)))
}

// use gives muster more rules, which it has after a restart too.
func (c *craft) use(rules ...[]check.Rule) {
	c.extra = append(c.extra, slices.Concat(rules...)...)
	c.watch.SetExtra(c.extra)
}

// onPaper gives a sound boat what a shop has of it: sheets, a layout, and a baseline once all units were heard.
func (c *craft) onPaper() {
	sheets, layout := release.Rules(sheetsOfShop()), c.rules(soundPlan())
	c.use(sheets, layout)
	c.later(2*time.Minute, func() {
		c.extra = nil
		c.use(c.baseline(), sheets, withoutUnits(layout))
	})
}

// withoutUnits leaves out the rules that a baseline has too.
func withoutUnits(rules []check.Rule) (some []check.Rule) {
	for _, r := range rules {
		if r.ID != "missing" && r.ID != "new-device" {
			some = append(some, r)
		}
	}
	return some
}

func faultsOnPaper() []fault {
	reports := func(id, size, version string, also ...string) fault {
		return fault{check: id, size: size, also: append(also, "software-differs"), prepare: func(c *craft) func() {
			c.any(60, 135)
			u := c.any(120, 130)
			c.later(0, func() { c.use(release.Rules(sheetsOfShop())) })
			return func() { u.version = version; u.appear() }
		}}
	}
	drawn := func(id, size string, change func(*plan), also ...string) fault {
		return fault{check: id, size: size, also: also, prepare: func(c *craft) func() {
			return func() {
				p := soundPlan()
				change(&p)
				c.use(withoutUnits(c.rules(p)))
			}
		}}
	}
	lives := func(id, size string, does func(c *craft, u *unit), also ...string) fault {
		return fault{check: id, size: size, also: also, within: 8 * time.Minute, prepare: func(c *craft) func() {
			u := c.any(60, 140)
			return func() { // muster was away, too
				base := c.baseline()
				does(c, u)
				c.begin()
				c.use(base)
			}
		}}
	}
	return []fault{
		reports("software-behind", "a display runs 1.00, and 1.10 is current", "1.00", "companion-too-old"),
		reports("companion-too-old", "a sounder needs 1.10 in a display that runs 1.00", "1.00", "software-behind"),
		reports("order-unknown", "a display reports a version that the sheet cannot order", "build 7"),
		lives("missing", "a unit of the baseline is not there", func(_ *craft, u *unit) { u.off = true }, "silent", "no-heartbeat"),
		lives("new-device", "a unit that the baseline does not have", func(c *craft, _ *unit) { c.display().appear() }),
		lives("replaced", "another unit of the same model in its place", func(c *craft, u *unit) {
			f := u.name.Fields()
			f.UniqueNumber += 5000
			u.name, u.serial = f.NAME(), u.serial+"R"
			u.appear()
		}, "restarted"),
		drawn("backbone-too-long", "a backbone of 110 m", func(p *plan) { p.length = 110 }, "voltage-drop"),
		drawn("drop-cable-too-long", "a drop cable of 7 m", func(p *plan) { p.drop = 7 }),
		drawn("tee-overfull", "two drop cables at a tee for one", func(p *plan) { p.ports = 1 }),
		drawn("terminator", "one terminator", func(p *plan) { p.terminators = "[p0]" }),
		drawn("feeds-not-isolated", "two power feeds on one positive wire", func(p *plan) { p.power = []string{"p0", "p1"} }),
		drawn("voltage-drop", "90 m of backbone, fed at one end with 9.5 V", func(p *plan) { p.length, p.volts, p.power, p.load = 90, 9.5, []string{"p0"}, 3 }, "load-too-high"),
		{check: "load-too-high", size: "a unit declares a load of 10 where 1 was planned", prepare: func(c *craft) func() {
			u := c.any(60, 140)
			c.later(time.Second, func() { c.use(withoutUnits(c.rules(soundPlan()))) })
			return func() { u.load = 10; u.appear() }
		}, also: []string{"voltage-drop"}},
	}
}

// notAboard are checks that no boat has a fault for: store-failing is about the card on which the daemon keeps what it knows, and tested
// with it.
var notAboard = []string{"store-failing"}

// onPaperOf is of how many sound boats one has sheets, a layout and a baseline.
const onPaperOf = 4

func faultsOfOthers() []fault {
	return []fault{
		{check: "commanded", size: "a display sets the instance of a battery monitor", prepare: func(c *craft) func() {
			from, to := c.any(120, 130), c.any(75, 150)
			return func() { // command group function, priority as it is, one pair: field 2 becomes 3
				p := []byte{1, 0x14, 0xF2, 0x01, 0xF8, 1, 2, 3}
				from.frame(pgn.MakeID(3, 126208, from.address, to.address), append([]byte{0x20, byte(len(p))}, p[:6]...))
				from.frame(pgn.MakeID(3, 126208, from.address, to.address), append([]byte{0x21}, p[6:]...))
			}
		}},
		{check: "foreign-device", size: "an engine of J1939 on the backbone", prepare: func(c *craft) func() {
			u := c.add("J1", 0, 0)
			u.off, u.declared, u.taken, u.name, u.address = true, false, true, 0, 0
			u.each(100*time.Millisecond, 61444, func() []byte { return c.pay(0xF0).ones(2).u16(12000).ones(3) })
			return func() { u.off = false }
		}, also: []string{"unclaimed-source"}},
	}
}
