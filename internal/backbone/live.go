package backbone

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/nmea0183"
	"muster/internal/report"
)

// Live is the layout compared with the network as it is.
type Live struct {
	Load         Measure        `json:"load"`             // load equivalency declared on the wire; the limit is the plan's
	Unsaid       int            `json:"unsaid,omitempty"` // devices that declare none
	Missing      []string       `json:"missing,omitempty"`
	Extra        []string       `json:"extra,omitempty"`
	Unidentified []string       `json:"unidentified,omitempty"`   // devices not identified yet: they may be planned ones
	NotLookedFor []string       `json:"not_looked_for,omitempty"` // planned devices by which nothing can be recognised
	Added        []string       `json:"added,omitempty"`          // devices that are only thought of in the layout and are there
	Declared     []DeclaredLoad `json:"declared,omitempty"`
	Supplies     []Supply       `json:"supplies,omitempty"`
	Units        []Placed       `json:"units,omitempty"`  // devices of the network at their places in the layout
	Lowest       *Outlet        `json:"lowest,omitempty"` // with the loads as declared and the supply as measured, where they differ from the plan
	Spread       *Measure       `json:"spread,omitempty"` // likewise
}

// Placed is a device of the network that was recognised as one of the layout.
type Placed struct {
	Device string           `json:"device"` // as the layout calls it
	At     string           `json:"at"`
	ID     string           `json:"id"`
	State  boat.DeviceState `json:"state"`
}

// DeclaredLoad is one device whose declared load equivalency differs from the plan.
type DeclaredLoad struct {
	Device   string  `json:"device"`
	Planned  float64 `json:"planned"`
	Declared float64 `json:"declared"`
}

// Supply is a voltage that a device on the bus measured, beside that of its place in the layout: the planned voltage
// of a power point, or the computed one at the device.
type Supply struct {
	Device   string     `json:"device"`
	At       string     `json:"at"` // the power point, or the tee of the device's own drop
	Own      bool       `json:"own,omitempty"`
	Measured float64    `json:"measured_volts"`
	Told     event.Time `json:"told,omitzero"`
	Computed float64    `json:"computed_volts"`
}

// Covered is one quantity of the commissioning list.
type Covered struct {
	Quantity string   `json:"quantity"`
	State    string   `json:"state"` // covered, slow, several, elsewhere or missing
	From     []string `json:"from,omitempty"`
	Talkers  []string `json:"talkers,omitempty"` // ids of those in From that are NMEA 0183 talkers, as in ttyUSB0/GP
	Note     string   `json:"note,omitempty"`
}

// slow is how many times its published interval a source may take before it counts as slow (own choice).
const slow = 2

// On is the id of the report's network that the layout is the plan of: the one that the layout names, or the only one of its kind.
func (l *Layout) On(r *report.Report) (string, error) {
	var ids []string
	for i := range r.Networks {
		if n := &r.Networks[i]; n.Kind == event.NMEA2000 {
			ids = append(ids, n.ID)
		}
	}
	switch {
	case len(ids) == 0:
		return "", errors.New("no NMEA 2000 network was received")
	case l.Network != "" && !slices.Contains(ids, l.Network):
		return "", fmt.Errorf("network %q was not received: write one of %s", l.Network, strings.Join(ids, ", "))
	case l.Network == "" && len(ids) > 1:
		return "", fmt.Errorf("there are %d networks: write which one it is the plan of, network: %s for one", len(ids), ids[0])
	}
	id := cmp.Or(l.Network, ids[0])
	if k := slices.IndexFunc(r.Networks, func(n report.Network) bool { return n.ID == id }); r.Networks[k].Silent() {
		return "", fmt.Errorf("nothing is received on %s", id)
	}
	return id, nil
}

// match is the layout's drops beside the devices of one network.
type match struct {
	drops        []Drop
	found        []*report.Device // of each drop, nil for none
	aboard       []*report.Device // those that answer
	extra        []*report.Device
	added        []*report.Device // only thought of in the layout
	unidentified []*report.Device
}

// away reports whether a device has stopped speaking, which is reported by itself.
func away(d *report.Device) bool { return d.State == boat.Silent || d.State == boat.Gone }

// match finds the device of every drop: by NAME, by model, by role. A device that has not reported its model yet is
// taken for the planned one of its role.
func (l *Layout) match(r *report.Report, network string) *match {
	m := &match{drops: l.drops(nil)}
	known := r.On(network)
	slices.SortStableFunc(known, func(a, b *report.Device) int { // who answers is taken before who is away
		switch {
		case away(a) == away(b):
			return 0
		case away(a):
			return 1
		}
		return -1
	})
	fitsName := func(d Drop, x *report.Device) bool { return fitsName(r, d, x) }
	taken := map[*report.Device]bool{}
	assign := func(drops []Drop) []*report.Device {
		found := make([]*report.Device, len(drops))
		for _, fits := range []func(Drop, *report.Device) bool{fitsName, fitsModel, fitsRole, fitsUnidentified} {
			for i, d := range drops {
				if found[i] != nil {
					continue
				}
				if k := slices.IndexFunc(known, func(x *report.Device) bool { return !taken[x] && fits(d, x) }); k >= 0 {
					found[i], taken[known[k]] = known[k], true
				}
			}
		}
		return found
	}
	m.found = assign(m.drops)
	for _, x := range assign(l.Proposed) {
		if x != nil && !away(x) {
			m.added = append(m.added, x)
		}
	}
	for _, x := range known {
		switch {
		case away(x):
			continue
		case taken[x]:
		case x.Product == nil:
			m.unidentified = append(m.unidentified, x)
		default:
			m.extra = append(m.extra, x)
		}
		m.aboard = append(m.aboard, x)
	}
	return m
}

// Against adds what the live network shows: which planned devices answer, which extra ones do, and what they declare.
// A voltage that a device reports is compared where the layout gives what it measures. It returns an error, and adds
// nothing, when the report is of another boat, or does not show which network the layout is of.
func (a *Audit) Against(l *Layout, r *report.Report) error {
	if known := r.Boat; l.Boat != "" && known.ID+known.Name != "" && !strings.EqualFold(l.Boat, known.ID) && !strings.EqualFold(l.Boat, known.Name) {
		return fmt.Errorf("the layout is of %s, and the report of %s", l.Boat, cmp.Or(known.Name, known.ID))
	}
	network, err := l.On(r)
	if err != nil {
		return err
	}
	m := l.match(r, network)
	a.Network = network
	a.Live = &Live{Load: Measure{Limit: a.Load}}
	for _, x := range m.aboard {
		if x.Product != nil && x.Product.LoadEquivalency != nil {
			a.Live.Load.Value += float64(*x.Product.LoadEquivalency)
		} else {
			a.Live.Unsaid++
		}
	}
	a.answers(m)
	if a.Live.Load.Value > a.Live.Load.Limit {
		a.find(Finding{Check: "load-too-high", Severity: check.Warning, Subject: "declared",
			Evidence: map[string]any{"declared": a.Live.Load.Value, "planned": a.Live.Load.Limit}},
			"declared", check.Values{"load": Tenths(a.Live.Load.Value), "limit": Tenths(a.Live.Load.Limit)})
	}
	a.supplies(l, m)
	a.cover(l, r, network)
	return nil
}

// answers checks which of the planned devices answer.
func (a *Audit) answers(m *match) {
	live := a.Live
	for i, d := range m.drops {
		name := d.label()
		if x := m.found[i]; x != nil {
			live.Units = append(live.Units, Placed{name, d.At, x.ID, x.State})
		}
		switch x := m.found[i]; {
		case x == nil && d.Name == "" && d.Model == "" && d.Role == "":
			live.NotLookedFor = append(live.NotLookedFor, name)
		case x == nil:
			live.Missing = append(live.Missing, name)
			if len(m.unidentified) > 0 {
				break // it may be one of them
			}
			a.find(Finding{Check: "missing", Severity: check.Warning, Subject: "layout " + d.At + " " + name,
				Evidence: planned(d)}, "layout", check.Values{"device": name, "at": d.At})
		case away(x):
			live.Missing = append(live.Missing, fmt.Sprintf("%s (%s)", name, x.State))
		}
		if x := m.found[i]; x != nil && x.Product != nil && x.Product.LoadEquivalency != nil &&
			float64(*x.Product.LoadEquivalency) != d.Load {
			live.Declared = append(live.Declared, DeclaredLoad{x.Label(), d.Load, float64(*x.Product.LoadEquivalency)})
		}
	}
	for _, x := range m.extra {
		live.Extra = append(live.Extra, x.Label())
		a.find(Finding{Check: "new-device", Severity: check.Info, Subject: "layout " + x.ID, Devices: []string{x.ID}},
			"layout", check.Values{"device": x.Label()})
	}
	for _, x := range m.added {
		live.Added = append(live.Added, x.Label())
	}
	for _, x := range m.unidentified {
		live.Unidentified = append(live.Unidentified, x.Label())
	}
}

// label is what the layout calls the device.
func (d Drop) label() string { return cmp.Or(d.Device, d.Model, d.Role, d.Name, "device") }

func planned(d Drop) map[string]any {
	e := map[string]any{}
	for _, f := range [][2]string{{"name", d.Name}, {"model", d.Model}, {"role", d.Role}} {
		if f[1] != "" {
			e[f[0]] = f[1]
		}
	}
	return e
}

// voltageReport is the message in which a device reports a voltage: that of the instance, or of the lowest. It is nil when there is none.
func voltageReport(x *report.Device, instance *uint8) *report.Transmit {
	if x == nil || away(x) {
		return nil
	}
	for i := range x.Transmits { // by PGN, then instance
		t := &x.Transmits[i]
		if t.Volts != nil && (instance == nil || t.Instance != nil && *t.Instance == *instance) {
			return t
		}
	}
	return nil
}

// apart is the difference in volt between a measured and a computed voltage that needs an explanation (own choice:
// far above the tolerance of meters and cables).
const apart = 0.5

// asDeclared is the layout with the loads that the devices of its drops declare.
func (l *Layout) asDeclared(m *match) *Layout {
	out := *l
	out.Tees = slices.Clone(l.Tees)
	out.Power = slices.Clone(l.Power)
	i := 0
	for _, p := range l.line() { // in the order of drops
		k := slices.IndexFunc(out.Tees, func(t Tee) bool { return t.At == p })
		if k < 0 {
			continue
		}
		out.Tees[k].Drops = slices.Clone(l.Tees[k].Drops)
		for n := range out.Tees[k].Drops {
			if x := m.found[i]; x != nil && x.Product != nil && x.Product.LoadEquivalency != nil {
				out.Tees[k].Drops[n].Load = float64(*x.Product.LoadEquivalency)
			}
			i++
		}
	}
	return &out
}

// supplies checks the voltages that devices reported. What a device measures at its own connection is compared with
// what it would get with the loads as declared and the supply as others measured it.
func (a *Audit) supplies(l *Layout, m *match) {
	now := l.asDeclared(m)
	for i, d := range m.drops {
		k := slices.IndexFunc(l.Power, func(p Power) bool { return p.At == d.Measures })
		t := voltageReport(m.found[i], d.Instance)
		if t == nil || k < 0 {
			continue
		}
		s := Supply{Device: m.found[i].Label(), At: d.Measures, Measured: *t.Volts, Told: t.VoltsAt,
			Computed: float64(l.Power[k].Voltage)}
		a.Live.Supplies = append(a.Live.Supplies, s)
		now.Power[k].Voltage = Volts(s.Measured)
		if s.Computed-s.Measured > apart { // a higher one, as while charging, does no harm
			a.find(Finding{Check: "voltage-drop", Severity: check.Info, Subject: s.At + " " + s.Device, Devices: []string{m.found[i].ID},
				Evidence: map[string]any{"measured_volts": s.Measured, "planned_volts": round(s.Computed)}},
				"feed", check.Values{"device": s.Device, "at": s.At, "volts": fixed(s.Measured, 2), "expected": fixed(s.Computed, 2)})
		}
	}
	solution := now.Solve(nil)
	if len(a.Live.Supplies) > 0 || len(a.Live.Declared) > 0 {
		a.checkReported(solution)
	}
	for i, d := range m.drops {
		t, o := voltageReport(m.found[i], d.Instance), solution.Outlets[i]
		if t == nil || d.Measures != ownConnection || o.Volts == nil {
			continue
		}
		s := Supply{Device: m.found[i].Label(), At: d.At, Own: true, Measured: *t.Volts, Told: t.VoltsAt, Computed: *o.Volts}
		a.Live.Supplies = append(a.Live.Supplies, s)
		if math.Abs(s.Measured-s.Computed) > apart {
			a.find(Finding{Check: "voltage-drop", Severity: check.Warning, Subject: s.At + " " + s.Device, Devices: []string{m.found[i].ID},
				Evidence: map[string]any{"measured_volts": s.Measured, "computed_volts": round(s.Computed)}},
				"outlet", check.Values{"device": s.Device, "volts": fixed(s.Measured, 2), "expected": fixed(s.Computed, 2)})
		}
	}
}

// checkReported checks the backbone with what the devices declare and measure, where the plan alone was in order.
func (a *Audit) checkReported(s *Solution) {
	a.Live.Spread = &Measure{s.Spread(), MaxDropVolts}
	if a.Live.Spread.Value > MaxDropVolts && a.Spread.Value <= MaxDropVolts {
		a.find(Finding{Check: "voltage-drop", Severity: check.Warning, Subject: "spread now",
			Evidence: map[string]any{"volts": round(a.Live.Spread.Value), "limit_volts": MaxDropVolts}},
			"spread-now", check.Values{"volts": fixed(a.Live.Spread.Value, 2), "limit": fixed(MaxDropVolts, 1)})
	}
	o, ok := s.Lowest()
	if !ok {
		return
	}
	a.Live.Lowest = &o
	if *o.Volts < MinVolts && a.Lowest != nil && *a.Lowest.Volts >= MinVolts {
		a.find(Finding{Check: "voltage-drop", Severity: check.Critical, Subject: o.At + " " + o.Device + " now",
			Evidence: map[string]any{"volts": round(*o.Volts), "minimum_volts": MinVolts}},
			"low-now", check.Values{"device": o.Device, "at": o.At, "volts": fixed(*o.Volts, 2), "limit": fixed(MinVolts, 0)})
	}
}

// fitsName also takes a NAME that the unit had before.
func fitsName(r *report.Report, d Drop, x *report.Device) bool {
	u := r.Unit(x.ID)
	return d.Name != "" && u != nil && slices.ContainsFunc(u.IDs(), func(id string) bool { return strings.EqualFold(d.Name, id) })
}

func fitsModel(d Drop, x *report.Device) bool {
	return d.Name == "" && d.Model != "" && x.Product != nil && strings.EqualFold(d.Model, x.Product.Model)
}

func fitsRole(d Drop, x *report.Device) bool {
	return d.Name == "" && d.Model == "" && d.Role != "" && d.Role == string(x.Role)
}

// fitsUnidentified takes a device that has not reported its model by its role.
func fitsUnidentified(d Drop, x *report.Device) bool {
	return d.Name == "" && d.Role != "" && d.Role == string(x.Role) && x.Product == nil
}

// cover goes through the commissioning list: each quantity from exactly one preferred source at its nominal rate.
// Talkers of the boat's NMEA 0183 lines are sources too, but do not contest a device of the backbone: it may be the
// gateway that carries what they send.
func (a *Audit) cover(l *Layout, r *report.Report, network string) {
	quantities := boat.Quantities()
	for _, want := range l.Coverage {
		c := Covered{Quantity: want.Quantity, State: "missing"}
		i := slices.IndexFunc(quantities, func(q boat.Quantity) bool { return q.Name == want.Quantity })
		if i < 0 {
			continue // a parsed layout has none
		}
		preferred := false
		for _, s := range r.Suppliers(quantities[i], r.TakenAt) {
			if s.Device != nil && s.Network != network {
				continue // of another backbone
			}
			if s.Talker != nil {
				c.From = append(c.From, "NMEA 0183 "+s.Talker.Label())
				c.Talkers = append(c.Talkers, s.ID)
			} else {
				c.From = append(c.From, s.Device.Label())
			}
			if want.From == "" || want.From == s.ID || s.Device != nil && l.isDevice(r, want.From, s.Device) {
				preferred = true
				c.Note = cmp.Or(late(&s), c.Note)
			}
		}
		devices := len(c.From) - len(c.Talkers)
		switch {
		case len(c.From) == 0:
			a.find(Finding{Check: "missing", Severity: check.Warning, Subject: "layout quantity " + c.Quantity,
				Evidence: map[string]any{"quantity": c.Quantity, "planned_from": cmp.Or(want.From, "any device")}},
				"quantity", check.Values{"quantity": c.Quantity})
		case devices > 1, devices == 0 && len(c.Talkers) > 1:
			c.State = "several"
			c.Note = "choose " + cmp.Or(want.From, "one source") + " on every display"
		case !preferred:
			c.State, c.Note = "elsewhere", "planned from "+want.From
		case c.Note != "":
			c.State = "slow"
		case devices == 0:
			c.State, c.Note = "covered", "on NMEA 0183 alone: see that it reaches the displays"
		default:
			c.State = "covered"
		}
		a.Coverage = append(a.Coverage, c)
	}
}

// late names which of the source's messages or sentences comes much more rarely than usual, "" for none.
func late(s *report.Supplier) string {
	seldom := func(title string, in *boat.Interval, nominal float64) string {
		if in == nil || nominal == 0 || in.Mean <= slow*nominal {
			return ""
		}
		return fmt.Sprintf("%s comes every %.0f ms, nominal are %.0f ms", title, in.Mean, nominal)
	}
	for _, t := range s.Messages {
		if note := seldom(t.Title, t.Interval, t.Nominal); note != "" {
			return note
		}
	}
	for _, t := range s.Sentences {
		if note := seldom(t.Formatter, t.Interval, float64(nmea0183.Nominal(t.Formatter).Milliseconds())); note != "" {
			return note
		}
	}
	return ""
}

// isDevice reports whether a device is the one that the plan calls name: by the drop's name for it, or by model.
func (l *Layout) isDevice(r *report.Report, name string, x *report.Device) bool {
	if x.Product != nil && strings.EqualFold(name, x.Product.Model) {
		return true
	}
	for _, d := range l.drops(nil) {
		if d.Device == name && (fitsName(r, d, x) || fitsModel(d, x) || fitsRole(d, x) || fitsUnidentified(d, x)) {
			return true
		}
	}
	return false
}

func quantityNames() string {
	var names []string
	for _, q := range boat.Quantities() {
		names = append(names, q.Name)
	}
	return strings.Join(names, ", ")
}
