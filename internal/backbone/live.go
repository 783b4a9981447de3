package backbone

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"muster/internal/boat"
	"muster/internal/event"
)

// Live is the layout held against the network as it is.
type Live struct {
	Load     Measure  `json:"load"` // load equivalency declared on the wire; the limit is the plan's
	Missing  []string `json:"missing,omitempty"`
	Extra    []string `json:"extra,omitempty"`
	Declared []Load   `json:"declared,omitempty"`
	Supplies []Supply `json:"supplies,omitempty"`
	Lowest   *Outlet  `json:"lowest,omitempty"` // with the supply as it was measured
}

// Load is one device whose declared load equivalency differs from the plan.
type Load struct {
	Device   string  `json:"device"`
	Planned  float64 `json:"planned"`
	Declared float64 `json:"declared"`
}

// Supply is a voltage that a device on the bus measured, beside what the layout says of its place: the planned voltage of a power
// point, or the computed one at the device.
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
	State    string   `json:"state"` // covered, slow, contested, elsewhere or missing
	From     []string `json:"from,omitempty"`
	Note     string   `json:"note,omitempty"`
}

// slow is how many times its published interval a source may take before it counts as slow (own choice).
const slow = 2

// Against adds what the live network shows: which planned devices answer, which extra ones do, and what they declare.
// A voltage that a device tells is compared where the layout says what it measures.
func (a *Audit) Against(l *Layout, report *boat.Report) {
	live := &Live{Load: Measure{Limit: a.Load}}
	var aboard []*boat.Device
	for i := range report.Devices {
		d := &report.Devices[i]
		if !d.Own && d.State != boat.Gone && d.State != boat.Silent {
			aboard = append(aboard, d)
			if d.Product != nil && d.Product.LoadEquivalency != nil {
				live.Load.Value += float64(*d.Product.LoadEquivalency)
			}
		}
	}
	taken := map[*boat.Device]bool{}
	drops := l.drops(nil)
	found := make([]*boat.Device, len(drops))
	for _, fits := range []func(Drop, *boat.Device) bool{fitsName, fitsModel, fitsRole} {
		for i, d := range drops {
			if found[i] != nil {
				continue
			}
			k := slices.IndexFunc(aboard, func(x *boat.Device) bool { return !taken[x] && fits(d, x) })
			if k >= 0 {
				found[i], taken[aboard[k]] = aboard[k], true
			}
		}
	}
	for i, d := range drops {
		x := found[i]
		if x == nil {
			live.Missing = append(live.Missing, cmp.Or(d.Device, d.Model, d.Role, d.Name))
			continue
		}
		if x.Product != nil && x.Product.LoadEquivalency != nil && float64(*x.Product.LoadEquivalency) != d.Load {
			live.Declared = append(live.Declared, Load{x.Label(), d.Load, float64(*x.Product.LoadEquivalency)})
		}
	}
	for _, x := range aboard {
		if !taken[x] {
			live.Extra = append(live.Extra, x.Label())
		}
	}
	a.Live = live
	if live.Load.Value > live.Load.Limit {
		a.find(Finding{Check: "load-too-high", Severity: boat.Warning, Subject: "declared",
			Summary:  fmt.Sprintf("The devices declare %.0f load equivalency; the plan has %.0f", live.Load.Value, live.Load.Limit),
			Evidence: map[string]any{"declared": live.Load.Value, "planned": live.Load.Limit},
			Remedy:   "Put the declared figures into the layout and judge it again."})
	}
	a.supplies(l, drops, found)
	a.cover(l, aboard)
}

// told is the message in which a device tells a voltage: that of the instance, or of the lowest. It is nil when there is none.
func told(x *boat.Device, instance *uint8) *boat.Transmit {
	if x == nil {
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

// apart is the difference in volt between a measured and a computed voltage that wants an explanation (own choice: well above the
// tolerance of meters and cables).
const apart = 0.5

// supplies judges the voltages that devices told: found are the devices of the drops. What a device measures at its own connection is held
// against what it would get with the supply as others measured it.
func (a *Audit) supplies(l *Layout, drops []Drop, found []*boat.Device) {
	fed := *l // as measured
	fed.Power = slices.Clone(l.Power)
	for i, d := range drops {
		k := slices.IndexFunc(l.Power, func(p Power) bool { return p.At == d.Measures })
		if t := told(found[i], d.Instance); t != nil && k >= 0 {
			s := Supply{Device: found[i].Label(), At: d.Measures, Measured: *t.Volts, Told: t.VoltsAt, Computed: float64(l.Power[k].Voltage)}
			a.Live.Supplies = append(a.Live.Supplies, s)
			fed.Power[k].Voltage = Volts(s.Measured)
			if s.Computed-s.Measured > apart { // a higher one, as while charging, does no harm
				a.find(Finding{Check: "voltage-drop", Severity: boat.Info, Subject: s.At + " " + s.Device,
					Summary:  fmt.Sprintf("%s measures %.2f V at the power point %s, planned are %.2f V", s.Device, s.Measured, s.At, s.Computed),
					Evidence: map[string]any{"measured_volts": s.Measured, "planned_volts": round(s.Computed)},
					Remedy:   "Put the voltage that the supply really has into the layout and judge it again."})
			}
		}
	}
	solution := fed.Solve(nil)
	if o, ok := solution.Lowest(); ok && len(a.Live.Supplies) > 0 {
		a.Live.Lowest = &o
		if *o.Volts < MinVolts && a.Lowest != nil && *a.Lowest.Volts >= MinVolts {
			a.find(Finding{Check: "voltage-drop", Severity: boat.Critical, Subject: o.At + " " + o.Device + " now",
				Summary:  fmt.Sprintf("With the supply as it is measured, %s at %s gets %.2f V; devices need %.0f V", o.Device, o.At, *o.Volts, MinVolts),
				Evidence: map[string]any{"volts": round(*o.Volts), "minimum_volts": MinVolts},
				Remedy:   "Charge, and measure again. When the voltage stays low, look for a bad contact, fuse or earth between the battery and the power point."})
		}
	}
	for i, d := range drops {
		t, o := told(found[i], d.Instance), solution.Outlets[i]
		if t == nil || d.Measures != ownConnection || o.Volts == nil {
			continue
		}
		s := Supply{Device: found[i].Label(), At: d.At, Own: true, Measured: *t.Volts, Told: t.VoltsAt, Computed: *o.Volts}
		a.Live.Supplies = append(a.Live.Supplies, s)
		if math.Abs(s.Measured-s.Computed) > apart {
			a.find(Finding{Check: "voltage-drop", Severity: boat.Warning, Subject: s.At + " " + s.Device,
				Summary:  fmt.Sprintf("%s measures %.2f V, computed are %.2f V", s.Device, s.Measured, s.Computed),
				Evidence: map[string]any{"measured_volts": s.Measured, "computed_volts": round(s.Computed)},
				Remedy:   "Look for a corroded contact, a longer or lighter cable than planned, or a load that the plan does not know."})
		}
	}
}

func fitsName(d Drop, x *boat.Device) bool { return d.Name != "" && strings.EqualFold(d.Name, x.ID) }

func fitsModel(d Drop, x *boat.Device) bool {
	return d.Name == "" && d.Model != "" && x.Product != nil && strings.EqualFold(d.Model, x.Product.Model)
}

func fitsRole(d Drop, x *boat.Device) bool {
	return d.Name == "" && d.Model == "" && d.Role != "" && d.Role == string(x.Role)
}

// cover goes through the commissioning list: each quantity from exactly one preferred source at its nominal rate.
func (a *Audit) cover(l *Layout, aboard []*boat.Device) {
	quantities := boat.Quantities()
	for _, want := range l.Coverage {
		c := Covered{Quantity: want.Quantity, State: "missing"}
		i := slices.IndexFunc(quantities, func(q boat.Quantity) bool { return q.Name == want.Quantity })
		if i < 0 {
			c.Note = "unknown quantity; known are " + quantityNames()
			a.Coverage = append(a.Coverage, c)
			continue
		}
		preferred := false
		for _, d := range aboard {
			messages, ok := d.Sends(quantities[i])
			if !ok {
				continue
			}
			c.From = append(c.From, d.Label())
			if want.From == "" || l.isDevice(want.From, d) {
				preferred = true
				for _, t := range messages {
					if t.Interval != nil && t.Nominal > 0 && t.Interval.Mean > slow*t.Nominal {
						c.Note = fmt.Sprintf("%s comes every %.0f ms, nominal are %.0f ms", t.Title, t.Interval.Mean, t.Nominal)
					}
				}
			}
		}
		switch {
		case len(c.From) == 0:
		case len(c.From) > 1:
			c.State = "contested"
			c.Note = "choose one source on every head"
			if want.From != "" {
				c.Note = "choose " + want.From + " on every head"
			}
		case !preferred:
			c.State, c.Note = "elsewhere", "planned from "+want.From
		case c.Note != "":
			c.State = "slow"
		default:
			c.State = "covered"
		}
		a.Coverage = append(a.Coverage, c)
	}
}

// isDevice reports whether a device is the one that the plan calls name: by the drop's name for it, or by model.
func (l *Layout) isDevice(name string, x *boat.Device) bool {
	if x.Product != nil && strings.EqualFold(name, x.Product.Model) {
		return true
	}
	for _, d := range l.drops(nil) {
		if d.Device == name && (fitsName(d, x) || fitsModel(d, x) || fitsRole(d, x)) {
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
