package report

import (
	"slices"

	"muster/internal/boat"
)

// Unit is one box aboard, with what it shows as on networks and lines. The Device stands for it in all that counts, compares or plans:
// see boat.Unit.
type Unit struct {
	Device    Device           `json:"-"`
	ID        string           `json:"id"` // the same for one box over time
	Aboard    bool             `json:"aboard"`
	State     boat.DeviceState `json:"state,omitempty"`
	Role      boat.Role        `json:"role,omitempty"`
	Why       []boat.Reason    `json:"reason,omitempty"`    // what its presences are joined by, strongest first
	Presences []*Device        `json:"presences,omitempty"` // its NAMEs and unclaimed addresses; the one that says most now comes first
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
		if slices.ContainsFunc(u.Presences, func(d *Device) bool { return d.ID == id }) || slices.Contains(u.Talkers, id) || slices.Contains(u.Manual, id) {
			found = u
		}
	}
	return found
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

// TalkerID is the id of the talker that the unit is, when it shows on lines only; else "".
func (u *Unit) TalkerID() string {
	if len(u.Presences) == 0 && len(u.Talkers) > 0 {
		return u.Talkers[0]
	}
	return ""
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
		r.Units = append(r.Units, n)
	}
}
