package boat

import (
	"cmp"
	"slices"
	"time"

	"muster/internal/event"
)

// Unit is one box aboard, however many NAMEs, networks and lines it sends on. The Device represents it in all that
// counts, compares or plans: its ID is the unit's, its software, restarts and times are those of all its presences,
// and the rest is that of the most informative presence now.
type Unit struct {
	Device
	Aboard    bool     // it is on a network or a line now, or fell silent a short while ago
	Why       []Reason // what its presences are joined by, strongest first; nil for a unit of one presence
	Presences []Presence
	Life      Life
}

// PresenceKind is where a presence shows.
type PresenceKind string

// The kinds of presence.
const (
	PresenceDevice PresenceKind = "device"  // one NAME, or one address without a NAME, on one network
	PresenceTalker PresenceKind = "talker"  // one talker on one line
	PresenceManual PresenceKind = "by-hand" // an entry by hand
)

// Presence is where one unit shows: the entry of that kind at that place in the list of the state.
type Presence struct {
	Kind PresenceKind
	At   int
	ID   string // of the device, talker or entry
	Left bool   // the unit left it behind: it is history and counts for nothing
}

// Reason is what presences are joined by.
type Reason string

// The reasons, strongest first.
const (
	ByHand    Reason = "by-hand"       // a person decided so
	BySerial  Reason = "serial"        // one manufacturer, product code and serial number
	ByUnique  Reason = "unique-number" // one manufacturer and unique number: never at two addresses at once, or with different functions
	ByTalkers Reason = "gnss-talkers"  // letters of satellite systems on one line that share out one receiver's sentences
)

// Decision is what a person decided of two presences, each given by its own id or by that of a unit.
type Decision struct {
	A    string     `json:"a"`
	B    string     `json:"b"`
	Same bool       `json:"same"` // they are one unit; else they are two
	By   string     `json:"by,omitempty"`
	At   event.Time `json:"at,omitzero"`
}

// Of reports whether the decision is of these two, in either order.
func (d *Decision) Of(a, b string) bool { return d.A == a && d.B == b || d.A == b && d.B == a }

// Aboard lists the units that are aboard now, muster itself left out, in the order of the list. Whatever counts units counts these.
func (s *State) Aboard() []*Unit {
	var list []*Unit
	for i := range s.Units {
		if u := &s.Units[i]; u.Aboard && !u.Own {
			list = append(list, u)
		}
	}
	return list
}

// FindUnits fills Units from the devices, talkers and entries by hand, and keeps the decisions.
func (s *State) FindUnits(decisions []Decision, goneAfter time.Duration) {
	s.Decisions = decisions
	s.Units = Evidence{s.Devices, s.Talkers, s.Manual, decisions, s.TakenAt, goneAfter}.Units()
	s.leaveOutUnmet()
}

// Unit finds a unit by its id or by that of one of its presences, nil when there is none.
func (s *State) Unit(id string) *Unit {
	var found *Unit
	for i := range s.Units {
		u := &s.Units[i]
		if u.ID == id {
			return u
		}
		if slices.ContainsFunc(u.Presences, func(p Presence) bool { return p.ID == id }) {
			found = u
		}
	}
	return found
}

// Functions are the different functions of the presences that the unit has not left behind, in their order.
func (u *Unit) Functions(devices []Device) (names []string) {
	for _, p := range u.Presences {
		if p.Kind != PresenceDevice || p.Left || devices[p.At].Name == nil {
			continue
		}
		if f := devices[p.At].Name.DeviceFunction.Name; f != "" && !slices.Contains(names, f) {
			names = append(names, f)
		}
	}
	return names
}

// Evidence is what units are made of.
type Evidence struct {
	Devices   []Device
	Talkers   []Talker
	Manual    []Manual
	Decisions []Decision
	Now       event.Time
	GoneAfter time.Duration // a talker that was not received for so long is gone; 0 for DefaultOptions
}

// Units assigns every presence to a unit, and writes into Devices and Talkers which, and which of them their units left behind. The same set of facts gives the
// same units, in whatever order it was found out. The list is sorted: units with devices, then talkers, then entries by hand, each by network and id.
func (e Evidence) Units() []Unit {
	orDefault(&e.GoneAfter, DefaultOptions().GoneAfter)
	for i := range e.Devices {
		e.Devices[i].Left = false
	}
	a := newAssignment(&e)
	groups := a.groups()
	nameApart(groups)
	units := make([]Unit, 0, len(groups))
	for _, g := range groups {
		units = append(units, a.unit(g))
	}
	e.succession(units)
	for i := range units {
		u := &units[i]
		for _, p := range u.Presences {
			switch p.Kind {
			case PresenceDevice:
				e.Devices[p.At].Unit, e.Devices[p.At].UnitSince = u.ID, u.UnitSince
			case PresenceTalker:
				e.Talkers[p.At].Unit = u.ID
			}
		}
	}
	slices.SortStableFunc(units, func(a, b Unit) int {
		return cmp.Or(cmp.Compare(kindRank(a.Presences[0].Kind), kindRank(b.Presences[0].Kind)),
			cmp.Compare(a.Network, b.Network), cmp.Compare(a.ID, b.ID))
	})
	return units
}

// stateRank puts the state of what counts most first.
func stateRank(s DeviceState) int {
	return slices.Index([]DeviceState{Present, Provisional, NoAddress, Silent, Gone}, s)
}

// unit makes the unit of some presences.
func (a *assignment) unit(g group) Unit {
	members := g.members
	a.leaveBehind(members)
	slices.SortStableFunc(members, saysMore)
	u := Unit{Why: g.why}
	for _, p := range members {
		u.Presences = append(u.Presences, Presence{Kind: p.kind, At: p.at, ID: p.id, Left: p.left})
	}
	u.Life = a.life(members)
	u.Device = a.standsFor(members, &u.Life)
	for _, p := range members {
		u.Aboard = u.Aboard || p.counts()
	}
	return u
}

// counts reports whether the presence shows that its unit is aboard. A talker that reported no identity may be the voice of any box.
func (p *presence) counts() bool {
	switch p.kind {
	case PresenceDevice:
		return !p.left && p.state != Gone
	case PresenceTalker:
		_, ok := p.talker.Device(0)
		return ok && p.state != Gone
	}
	return false
}

// saysMore puts the presence first that shows most of its unit now.
func saysMore(x, y *presence) int {
	return cmp.Or(compareBool(x.left, y.left), compareBool(!x.counts(), !y.counts()),
		cmp.Compare(kindRank(x.kind), kindRank(y.kind)),
		cmp.Compare(stateRank(x.state), stateRank(y.state)), compareBool(x.product() == nil, y.product() == nil),
		cmp.Compare(x.first, y.first), cmp.Compare(x.key, y.key))
}

// StandsFor is the device that represents the unit whose presences are these, with Left as it is.
func (e Evidence) StandsFor(id string, life Life) Device {
	a := newAssignment(&e)
	for _, p := range a.all {
		p.left = p.device != nil && p.device.Left
	}
	slices.SortStableFunc(a.all, saysMore)
	d := a.standsFor(a.all, &life)
	d.ID, d.Unit = id, id
	return d
}

// standsFor is the device that represents the presences, which are sorted by what each shows of the unit.
func (a *assignment) standsFor(members []*presence, life *Life) Device {
	if len(members) == 0 {
		return Device{}
	}
	main := members[0]
	d := main.asDevice(a.now)
	d.ID, d.UnitSince = name(members)
	d.Unit, d.Left = d.ID, false
	d.Restarts, d.LastRestarts, d.Software = life.Restarts, life.Restarted, nil
	for _, v := range life.Software {
		d.Software = append(d.Software, Software{Version: v.Version, Since: v.From})
	}
	for i, p := range members {
		o := p.asDevice(a.now)
		if !p.left {
			if i > 0 {
				d.Transmits = slices.Concat(d.Transmits, o.Transmits)
			}
			if d.Product == nil {
				d.Product, d.Known = o.Product, cmp.Or(d.Known, o.Known)
			}
			if d.Installation == nil {
				d.Installation = o.Installation
			}
			if d.Name == nil {
				d.Name = o.Name
			}
			if d.Heartbeat == nil {
				d.Heartbeat = o.Heartbeat
			}
			if i > 0 && d.Network == o.Network {
				d.Load += o.Load
			}
		}
		if o.FirstSeen != 0 && (d.FirstSeen == 0 || o.FirstSeen < d.FirstSeen) {
			d.FirstSeen = o.FirstSeen
		}
		d.LastSeen = max(d.LastSeen, o.LastSeen)
		d.Own = d.Own || o.Own
	}
	if d.Product != nil {
		d.Known = nil
	}
	if len(members) > 1 {
		slices.SortStableFunc(d.Transmits, func(a, b Transmit) int { return cmp.Compare(a.PGN, b.PGN) })
	}
	return d
}

// nameApart leaves the name of a unit that came apart to the part with the presence that it is named after, or else to
// the first; the other parts are named by what they are.
func nameApart(groups []group) {
	holder := map[string]int{}
	for i, g := range groups {
		for _, p := range g.members {
			if _, taken := holder[p.named]; !taken || p.id == p.named {
				holder[p.named] = i
			}
		}
	}
	for i, g := range groups {
		for _, p := range g.members {
			if holder[p.named] != i {
				p.named, p.namedSince = p.id, p.first
			}
		}
	}
}

// name is the id of a unit: that of the presence that was known first, and since when. One of which that is unknown comes last.
func name(members []*presence) (id string, since event.Time) {
	for _, p := range members {
		earlier := cmp.Or(compareBool(p.namedSince == 0, since == 0), cmp.Compare(p.namedSince, since), cmp.Compare(p.named, id))
		if id == "" || earlier < 0 {
			id, since = p.named, p.namedSince
		}
	}
	return id, since
}

func kindRank(k PresenceKind) int {
	return slices.Index([]PresenceKind{PresenceDevice, PresenceTalker, PresenceManual}, k)
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}
