package report

import (
	"slices"
	"strings"

	"muster/internal/boat"
)

// Unit is one box aboard, with what it shows as on networks and lines. The Device represents it in all that counts, compares or plans:
// see boat.Unit.
type Unit struct {
	Device    Device           `json:"-"`
	ID        string           `json:"id"` // the same for one box over time
	Aboard    bool             `json:"aboard"`
	State     boat.DeviceState `json:"state,omitempty"`
	Role      boat.Role        `json:"role,omitempty"`
	Why       []boat.Reason    `json:"reason,omitempty"`    // what its presences are joined by, strongest first
	Presences []*Device        `json:"presences,omitempty"` // NAMEs and unclaimed addresses; the most informative now is first
	Talkers   []string         `json:"talkers,omitempty"`   // ids of its talkers
	Manual    []string         `json:"manual,omitempty"`    // ids of its entries by hand
	Life      boat.Life        `json:"life"`
}

// Aboard lists the units that are aboard now, muster itself left out. Whatever counts units counts these.
func (r *Report) Aboard() []*Unit {
	var list []*Unit
	for i, units := 0, r.Units; i < len(units); i++ {
		if u := &units[i]; u.Aboard && !u.Device.Own {
			list = append(list, u)
		}
	}
	return list
}

// Unit finds a unit by its id or by that of one of its presences, nil when there is none.
func (r *Report) Unit(id string) *Unit {
	var found *Unit
	for i := range r.Units {
		u := &r.Units[i]
		if u.ID == id {
			return u
		}
		if found == nil && slices.Contains(u.IDs(), id) {
			found = u
		}
	}
	return found
}

// IDs are the unit's own id and those of its presences.
func (u *Unit) IDs() []string {
	ids := []string{u.ID}
	for _, d := range u.Presences {
		ids = append(ids, d.ID)
	}
	return slices.Concat(ids, u.Talkers, u.Manual)
}

// ByHand is the entry by hand that the unit is, when nothing else shows it; nil otherwise.
func (u *Unit) ByHand(r *Report) *boat.Manual {
	if u.Known() || len(u.Manual) == 0 {
		return nil
	}
	k := slices.IndexFunc(r.Manual, func(m boat.Manual) bool { return m.ID == u.Manual[0] })
	if k < 0 {
		return nil
	}
	return &r.Manual[k]
}

// Known reports whether the unit shows on a network, or on a line where it identifies itself.
func (u *Unit) Known() bool {
	return len(u.Presences) > 0 || len(u.Talkers) > 0 && u.Device.Product != nil
}

// Device is the device that represents a unit, which is named by its own id or by that of one of its presences; nil
// when it is not in the report, or only as a talker that does not identify itself, or as an entry by hand.
func (r *Report) Device(id string) *Device {
	if u := r.Unit(id); u != nil && u.Known() {
		return &u.Device
	}
	return nil
}

// On lists the units of a network, muster itself left out: each as it shows there, under its own id.
func (r *Report) On(network string) []*Device {
	var list []*Device
	for i := range r.Units {
		u := &r.Units[i]
		switch {
		case u.Device.Own:
		case u.Device.Network == network:
			list = append(list, &u.Device)
		default:
			k := slices.IndexFunc(u.Presences, func(d *Device) bool { return d.Network == network && !d.Left })
			if k >= 0 {
				d := *u.Presences[k]
				d.ID = u.ID
				list = append(list, &d)
			}
		}
	}
	return list
}

// Functions are the different functions of the NAMEs that the unit sends under now, in their order.
func (u *Unit) Functions() (names []string) {
	for _, d := range u.Presences {
		if d.Left || d.Name == nil {
			continue
		}
		if f := d.Name.DeviceFunction.Name; f != "" && !slices.Contains(names, f) {
			names = append(names, f)
		}
	}
	return names
}

// letters are those of the talker that the unit is, when it shows on lines only; else "".
func (u *Unit) letters() string {
	if len(u.Presences) > 0 || len(u.Talkers) == 0 {
		return ""
	}
	return u.Talkers[0][strings.LastIndexByte(u.Talkers[0], '/')+1:]
}

// takeUnits fills Units from those of the model, whose places are those of the report's lists.
func (r *Report) takeUnits(units []boat.Unit, show func(boat.Device) Device) {
	r.Units = make([]Unit, 0, len(units))
	for i := range units {
		u := &units[i]
		n := Unit{Device: show(u.Device), ID: u.ID, Aboard: u.Aboard, State: u.State, Role: u.Role, Why: u.Why, Life: u.Life}
		for _, p := range u.Presences {
			switch p.Kind {
			case boat.PresenceDevice:
				n.Presences = append(n.Presences, &r.Devices[p.At])
			case boat.PresenceTalker:
				n.Talkers = append(n.Talkers, p.ID)
			case boat.PresenceManual:
				n.Manual = append(n.Manual, p.ID)
			}
		}
		n.Device.Talker = n.letters()
		r.Units = append(r.Units, n)
	}
}
