package boat

import (
	"cmp"
	"fmt"
	"slices"

	"muster/internal/event"
	"muster/pgn"
)

// maxLife is how many entries of each kind a life holds; the latest are kept.
const maxLife = 32

// Life is what a unit went through, under whatever NAME: each list in the order in which it began.
type Life struct {
	Software   []Ran           `json:"software,omitempty"`
	Names      []NameUse       `json:"names,omitempty"`
	Instances  []InstanceUse   `json:"instances,omitempty"`
	Addresses  []AddressSpell  `json:"addresses,omitempty"`
	Restarts   int             `json:"restarts,omitempty"`
	Restarted  []event.Time    `json:"restarted,omitempty"` // when it restarted, the latest
	Commands   []RemoteSetting `json:"commands,omitempty"`  // settings that others changed on it over the network, or tried to
	Absences   []Span          `json:"absences,omitempty"`
	Before     []Box           `json:"before,omitempty"`      // boxes that sent under the same NAME before it
	Replaces   string          `json:"replaces,omitempty"`    // id of the unit whose place it took
	ReplacedBy string          `json:"replaced_by,omitempty"` // id of the unit that took its place

	ReplacesSince event.Time `json:"replaces_since,omitzero"` // when it took that place
	ReplacedSince event.Time `json:"replaced_since,omitzero"` // when the other one took its place
}

// Ran is a software version and when the unit ran it.
type Ran struct {
	Version string `json:"version"`
	Span
}

// NameUse is a NAME or talker and when the unit sent under it.
type NameUse struct {
	ID      string `json:"id"`
	Network string `json:"network"`
	Span
}

// InstanceUse is the device and system instance of one of the unit's functions, and when it had them.
type InstanceUse struct {
	Function       string `json:"function,omitempty"`
	DeviceInstance uint8  `json:"device_instance"`
	SystemInstance uint8  `json:"system_instance"`
	Span
}

// AddressSpell is a source address and when the unit had it.
type AddressSpell struct {
	Network string `json:"network"`
	Address uint8  `json:"address"`
	Span
}

// Box is what is known of a box that another one replaced under the same NAME.
type Box struct {
	Model    string     `json:"model,omitempty"`
	Serial   string     `json:"serial"`
	Software []Software `json:"software,omitempty"`
	Until    event.Time `json:"until,omitzero"` // when the other one first sent
}

// leaveBehind marks the presences that the unit left: another presence of the same function began after they last
// sent, and they were never on together.
func (a *assignment) leaveBehind(members []*presence) {
	for _, p := range members {
		if p.device != nil && p.device.Unmet {
			p.left, p.device.Left = true, true
			continue
		}
		i := slices.IndexFunc(members, func(q *presence) bool { return q != p && succeeds(q, p) })
		if i < 0 {
			continue
		}
		p.left, p.state = true, Gone
		d := p.device
		if d.Left = true; d.State != Gone {
			d.State, d.StateSince = Gone, members[i].heard[len(members[i].heard)-1].From
		}
	}
}

// succeeds reports whether the unit sends as q what it sent as p before. What it sends just after its claim of the new NAME may still be
// counted for the old one.
func succeeds(q, p *presence) bool {
	if q.device == nil || p.device == nil || !sameFunction(q.device, p.device) || len(q.heard) == 0 || together(q.heard, p.heard) {
		return false
	}
	began := q.heard[len(q.heard)-1].From
	if p.device.LastSeen.Sub(began) > overlap || q.device.LastSeen < p.device.LastSeen {
		return false
	}
	before := event.Time(0)
	if len(p.heard) > 0 {
		before = p.heard[len(p.heard)-1].From
	}
	return cmp.Or(cmp.Compare(began, before), cmp.Compare(q.device.ClaimedAt, p.device.ClaimedAt),
		cmp.Compare(q.device.LastSeen, p.device.LastSeen)) > 0
}

// life puts together what the presences went through.
func (a *assignment) life(members []*presence) (l Life) {
	var heard []Span
	byFunction := map[string]int{}
	for _, p := range members {
		var software []Software
		switch {
		case p.device != nil:
			software = p.device.Software
			heard = append(heard, p.heard...)
			l.Before = append(l.Before, p.device.Before...)
			l.Commands = append(l.Commands, p.device.Commands...)
			l.addDevice(p)
			key := p.network
			if n := p.device.Name; n != nil {
				key = fmt.Sprint(p.network, n.DeviceClass.Code, n.DeviceFunction.Code)
			}
			byFunction[key] += p.device.Restarts
			l.Restarts = max(l.Restarts, byFunction[key])
		case p.talker != nil:
			software = p.talker.Software
			heard = append(heard, p.heard...)
			l.Names = append(l.Names, NameUse{p.id, p.network, a.spell(Span{p.first, p.talker.Last}, p)})
		}
		for _, s := range software {
			l.Software = append(l.Software, Ran{s.Version, Span{From: s.Since}})
		}
	}
	l.Names, l.Instances = joinSpells((*NameUse).span, l.Names), joinSpells((*InstanceUse).span, l.Instances)
	l.Addresses = joinSpells((*AddressSpell).span, l.Addresses)
	slices.SortStableFunc(l.Software, func(a, b Ran) int { return cmp.Compare(a.From, b.From) })
	l.Software = slices.CompactFunc(l.Software, func(a, b Ran) bool { return a.Version == b.Version })
	for i := 1; i < len(l.Software); i++ {
		l.Software[i-1].Until = l.Software[i].From
	}
	slices.SortStableFunc(l.Commands, func(a, b RemoteSetting) int { return cmp.Compare(a.At, b.At) })
	l.Commands = lastOf(l.Commands, maxLife)
	l.Software, l.Absences, l.Restarted = lastOf(l.Software, maxLife), lastOf(a.absences(heard), maxLife), lastRestarts(members)
	return l
}

// spell is a span that lasts while the presence sends.
func (a *assignment) spell(s Span, p *presence) Span {
	if p.state == Present || p.state == Provisional || p.state == NoAddress {
		s.Until = 0
	}
	return s
}

// addDevice adds the NAME, instances and addresses of a device.
func (l *Life) addDevice(p *presence) {
	d := p.device
	whole := Span{}
	for i, s := range p.heard {
		if i == len(p.heard)-1 && d.onNow() {
			s.Until = 0
		}
		if i == 0 {
			whole.From = s.From
		}
		whole.Until = s.Until
		if d.Name != nil {
			l.Names = append(l.Names, NameUse{d.ID, d.Network, s})
			l.Instances = append(l.Instances, InstanceUse{d.Name.DeviceFunction.Name, d.Name.DeviceInstance, d.Name.SystemInstance, s})
		}
	}
	addresses := d.addressesEver()
	for i, u := range addresses {
		if u.Address == pgn.Null {
			continue
		}
		s := Span{From: u.Since, Until: whole.Until}
		if i+1 < len(addresses) {
			s.Until = addresses[i+1].Since
		}
		l.Addresses = append(l.Addresses, AddressSpell{d.Network, u.Address, s})
	}
}

// absences are the times between the first and the last time that the unit sent in which no presence of it did.
func (a *assignment) absences(heard []Span) (gaps []Span) {
	slices.SortFunc(heard, func(a, b Span) int { return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.Until, b.Until)) })
	until := event.Time(0)
	for i, s := range heard {
		if i > 0 && s.From.Sub(until) > DefaultOptions().SilentAfter {
			gaps = append(gaps, Span{until, s.From})
		}
		until = max(until, s.Until)
	}
	return gaps
}

// lastRestarts are the latest restarts of the presences, oldest first; what several functions of a box show at once is one.
func lastRestarts(members []*presence) (times []event.Time) {
	for _, p := range members {
		if p.device != nil {
			times = append(times, p.device.restartsEver()...)
		}
	}
	slices.Sort(times)
	settle := DefaultOptions().SettleTime
	out := times[:0]
	for _, t := range times {
		if n := len(out); n == 0 || t.Sub(out[n-1]) > settle {
			out = append(out, t)
		}
	}
	return lastOf(out, maxRestarts)
}

// succession notes which unit took the place of which: where one of a model fell silent for good and one other of that model, function
// and instance came after, and so on to the one that is there now. Who was replaced is no longer aboard.
func (e Evidence) succession(units []Unit) {
	places := map[string][]*Unit{}
	for i := range units {
		u := &units[i]
		gone := (u.State == Silent || u.State == Gone) && !u.Awaited
		if key := u.place(); key != "" && !u.Own && (gone || u.Aboard && u.State == Present) {
			places[key] = append(places[key], u)
		}
	}
	for _, place := range places {
		if len(place) > maxShared {
			continue
		}
		slices.SortStableFunc(place, func(a, b *Unit) int { return cmp.Compare(b.FirstSeen, a.FirstSeen) })
		after, claims := map[*Unit]*Unit{}, map[*Unit]int{}
		for _, o := range place {
			if n := next(place, o); n != nil && o.State != Present {
				after[o] = n
				claims[n]++
			}
		}
		for _, o := range place { // latest first: whether the next one was replaced is known
			n := after[o]
			if n == nil || claims[n] > 1 || n.State != Present && n.Life.ReplacedBy == "" {
				continue
			}
			o.Life.ReplacedBy, o.Life.ReplacedSince = n.ID, n.FirstSeen
			n.Life.Replaces, n.Life.ReplacesSince = o.ID, n.FirstSeen
		}
		for _, o := range place {
			if o.Life.ReplacedBy != "" {
				e.leave(o, o.Life.ReplacedSince)
			}
		}
	}
}

// next is the one unit that first came to the place after another one fell silent; nil when there is none, or when others were there with it.
func next(place []*Unit, o *Unit) (n *Unit) {
	for _, x := range place { // latest first
		if x == o || x.FirstSeen < o.LastSeen {
			continue
		}
		if n != nil && n.FirstSeen < x.LastSeen {
			return nil
		}
		n = x
	}
	return n
}

// leave makes the unit and what it sent as the past of the boat from a moment on.
func (e Evidence) leave(u *Unit, at event.Time) {
	u.Aboard = false
	if u.State != Gone {
		u.State, u.StateSince = Gone, at
	}
	for i := range u.Presences {
		if p := &u.Presences[i]; p.Kind == PresenceDevice {
			p.Left = true
			d := &e.Devices[p.At]
			if d.Left = true; d.State != Gone {
				d.State, d.StateSince = Gone, at
			}
		}
	}
}

// place is what a unit and the one that is put in its place share, "" when it is not known.
func (u *Unit) place() string {
	if u.Name == nil || u.Product == nil || u.Product.Model == "" && u.Product.Code == nil {
		return ""
	}
	code := -1
	if u.Product.Code != nil {
		code = int(*u.Product.Code)
	}
	return fmt.Sprint(u.Network, u.Name.Manufacturer.Code, code, u.Product.Model, u.Name.DeviceClass.Code,
		u.Name.DeviceFunction.Code, u.Name.DeviceInstance)
}
