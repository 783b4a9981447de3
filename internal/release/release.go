// Package release reads what a shop wrote down about software releases, and plans and follows updates by it.
//
// Sheets hold what is known of each model; a Scheme puts its versions in order; Assess compares each device aboard
// with them; Plan makes the work order; a Follower ticks its steps as devices go and come back. Nothing here reads a
// clock or a network: reports come in, values go out.
package release

import (
	"cmp"
	"fmt"
	"sort"
	"strings"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
)

// Place is a spot in a sheet, for messages that give a place.
type Place struct {
	File   string `json:"file"`
	Line   int    `json:"line"`   // from 1; 0 when only the file is known
	Column int    `json:"column"` // from 1
}

// String is FILE:LINE:COLUMN.
func (p Place) String() string {
	if p.Line == 0 {
		return p.File
	}
	return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column)
}

// Code names a kind of problem.
type Code string

// The kinds of problem that loading and planning report. None of them stops the rest of a plan.
const (
	UnknownModel   Code = "unknown-model"    // no sheet describes the device
	Contradiction  Code = "contradiction"    // two sheets differ; both places are named
	UnmetNeed      Code = "unmet-need"       // nothing aboard can meet what a release asks for
	Cycle          Code = "cycle"            // needs that go round in a circle
	EmptyVersion   Code = "empty-version"    // the device reported no version
	UnlistedOrder  Code = "order-unknown"    // the sheet does not give the order of the version and the others
	UnlistedNumber Code = "unlisted-version" // the version can be ordered, but no release lists it
	WithdrawnAhead Code = "withdrawn"        // runs a withdrawn release newer than the current one
	NotPresent     Code = "not-present"      // the device is not on the network now
	FamilySplit    Code = "family-split"     // the plan would leave a family on different releases
	NeedsOther     Code = "waits-for-other"  // deferred because a device that it needs is deferred
	TurnNotKept    Code = "turn-not-kept"    // the order that a person chose is against what a device needs
)

// Problem is something that a plan could not settle: what, where, and how to repair it.
type Problem struct {
	Code   Code     `json:"code"`
	Device string   `json:"device,omitempty"` // device id
	Places []string `json:"places,omitempty"` // FILE:LINE:COLUMN of the sheets concerned
	Text   string   `json:"text"`
	Remedy string   `json:"remedy"`
}

// String is one line.
func (p Problem) String() string {
	s := string(p.Code) + ": " + p.Text
	if len(p.Places) > 0 {
		s += " (" + strings.Join(p.Places, ", ") + ")"
	}
	return s + "; " + p.Remedy
}

// Conditions are recent facts about the boat that the report does not carry. A nil field is not known, which is never zero.
type Conditions struct {
	SupplyVolts *float64 `json:"supply_volts,omitempty"`          // lowest recent supply or battery voltage, V
	SupplyTrend *float64 `json:"supply_volts_per_hour,omitempty"` // its slope, V/h
	EngineRPM   *float64 `json:"engine_rpm,omitempty"`            // highest of all engines, 1/min
	SpeedMS     *float64 `json:"speed_ms,omitempty"`              // speed over ground, m/s
	InWater     *bool    `json:"in_water,omitempty"`              // afloat; nil when not given

	// Since when the source of the quantity was received without a break.
	SupplySince event.Time `json:"supply_since,omitzero"`
	TrendSince  event.Time `json:"supply_trend_since,omitzero"`
	EngineSince event.Time `json:"engine_since,omitzero"`
	SpeedSince  event.Time `json:"speed_since,omitzero"`
}

// ByHand is who entered a device that no network shows, and when.
type ByHand struct {
	By string     `json:"by,omitempty"`
	At event.Time `json:"at,omitzero"`
}

// Unit is one box aboard as this package uses it: from the list of units or entered by hand.
type Unit struct {
	ID               string           `json:"id"`
	Label            string           `json:"label"` // as a technician would name it
	Role             boat.Role        `json:"role,omitempty"`
	Manufacturer     string           `json:"manufacturer,omitempty"`
	ManufacturerCode *uint32          `json:"manufacturer_code,omitempty"`
	Product          *uint16          `json:"product,omitempty"` // product code
	Model            string           `json:"model,omitempty"`
	Serial           string           `json:"serial,omitempty"`
	Software         string           `json:"software,omitempty"` // as it is on the wire or was read off the screen
	Network          string           `json:"network,omitempty"`
	Address          *uint8           `json:"address,omitempty"`
	State            boat.DeviceState `json:"state,omitempty"`
	Place            string           `json:"place,omitempty"`
	ByHand           *ByHand          `json:"by_hand,omitempty"`
	known            bool             // it reported at least a model or a version
	text             [2]string        // installation descriptions
	instance         *[2]uint8        // device and system instance
	seen             event.Time       // last seen
	device           *report.Device   // nil for one entered by hand
}

// units lists the units of a report in a stable order: by role, then model, then id. muster itself is not among them,
// nor are addresses without a NAME, talkers that do not identify themselves, and boxes that another one has replaced.
func units(r *report.Report) []Unit {
	var out []Unit
	for i := range r.Units {
		x := &r.Units[i]
		m := x.ByHand(r)
		switch {
		case x.Device.Own || x.State == boat.Provisional || x.Life.ReplacedBy != "":
		case x.Known():
			u := unitOf(&x.Device)
			if letters := x.Device.Talker; letters != "" {
				u.Label, u.ManufacturerCode, u.instance = cmp.Or(u.Model, "talker")+" ("+letters+" on "+x.Device.Network+")", nil, nil
			}
			out = append(out, u)
		case m != nil:
			out = append(out, Unit{ID: m.ID, Label: manualLabel(m), Role: m.Role, Manufacturer: m.Manufacturer, Model: m.Model,
				Serial: m.Serial, Software: m.Software, Place: m.Place, ByHand: &ByHand{By: m.By, At: m.At}, known: true})
		}
	}
	rank := map[boat.Role]int{}
	for i, r := range boat.Roles() {
		rank[r] = i - 100
	}
	sort.SliceStable(out, func(i, j int) bool {
		a, b := &out[i], &out[j]
		if x, y := rank[a.Role], rank[b.Role]; x != y {
			return x < y
		}
		if a.Model != b.Model {
			return a.Model < b.Model
		}
		return a.ID < b.ID
	})
	return out
}

func unitOf(d *report.Device) Unit {
	u := Unit{ID: d.ID, Label: d.Label(), Role: d.Role, Network: d.Network, Address: d.Address, State: d.State, seen: d.LastSeen, device: d}
	if n := d.Name; n != nil {
		code := n.Manufacturer.Code
		u.ManufacturerCode, u.Manufacturer = &code, n.Manufacturer.Name
		u.instance = &[2]uint8{n.DeviceInstance, n.SystemInstance}
	}
	if p := d.Product; p != nil {
		u.Product, u.Model, u.Serial, u.Software = p.Code, trim(p.Model), trim(p.Serial), trim(p.Software)
		u.known = true
	}
	if in := d.Installation; in != nil {
		u.text = [2]string{in.Description1, in.Description2}
		u.Place = in.Description1
	}
	return u
}

// manualLabel names a device that was entered by hand the way boat names one of its own.
func manualLabel(m *boat.Manual) string {
	name := cmp.Or(strings.TrimSpace(m.Model), strings.TrimSpace(m.Manufacturer+" device"))
	return name + " (" + cmp.Or(m.Serial, m.ID) + ")"
}

// mark adds how a device is known when no network shows it.
func (u *Unit) mark() string {
	if u.ByHand != nil {
		return u.Label + ", entered by hand"
	}
	return u.Label
}
