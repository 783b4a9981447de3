package boat

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"muster/internal/event"
	"muster/pgn"
)

// Past is what was recorded of a named device or of a talker before the model began. The device takes it up when it
// claims its NAME again, a talker when it sends again, and drops it when it reports that it is another unit. One of a
// device that does not come back shows what its unit was, as soon as the unit sends under another NAME.
type Past struct {
	ID        string     `json:"id"` // NAME as 16 hex digits, or that of a talker
	Network   string     `json:"network"`
	FirstSeen event.Time `json:"first_seen,omitzero"`
	Restarts  int        `json:"restarts,omitempty"`
	Software  []Software `json:"software_history,omitempty"`
	Unit      string     `json:"unit,omitempty"` // of a talker: what separates it from others of its letters
	Box       string     `json:"box,omitempty"`  // id of the unit that a device is a presence of
	BoxSince  event.Time `json:"box_since,omitzero"`

	Product   *Product        `json:"product,omitempty"`   // the latest that a device reported
	Identity  *TalkerIdentity `json:"identity,omitempty"`  // the latest that a talker reported
	Commands  []RemoteSetting `json:"commands,omitempty"`  // settings that others changed on it
	Heard     []Span          `json:"heard,omitempty"`     // when a device sent, the latest; the last one lasts while it is on
	On        bool            `json:"on,omitempty"`        // it was on when the record ended
	Addresses []AddressUse    `json:"addresses,omitempty"` // the latest, oldest first
	Restarted []event.Time    `json:"restarted,omitempty"` // the latest, oldest first
	Before    []Box           `json:"before,omitempty"`    // other boxes that sent under its NAME
}

// end is the last moment that is recorded of the device, unset for none.
func (p *Past) end() event.Time {
	end := p.FirstSeen
	for _, s := range p.Heard {
		end = max(end, s.From, s.Until)
	}
	for _, u := range p.Addresses {
		end = max(end, u.Since)
	}
	for _, t := range p.Restarted {
		end = max(end, t)
	}
	return end
}

// Remember gives the model the past of devices and talkers that it has not met yet, and when the latest of it was
// known. Of more than MaxDevices those that were received last are kept. The boat keeps the slice.
func (b *Boat) Remember(past []Past, until event.Time) {
	slices.SortFunc(past, func(a, b Past) int {
		return cmp.Or(cmp.Compare(b.end(), a.end()), cmp.Compare(a.Network, b.Network), cmp.Compare(a.ID, b.ID))
	})
	past = past[:min(len(past), b.opt.MaxDevices)]
	for i := range past {
		until = max(until, past[i].end())
	}
	b.past = make(map[pastKey]*Past, len(past))
	for i := range past {
		p := &past[i]
		if n := len(p.Heard); n > 0 && p.Heard[n-1].Until == 0 {
			p.Heard = slices.Clone(p.Heard)
			p.Heard[n-1].Until = until
		}
		b.past[pastKey{p.Network, p.ID}] = p
	}
}

type pastKey struct{ network, id string }

// past is what was known of the device before, nil for nothing.
func (d *device) past() *Past { return d.net.boat.past[pastKey{d.net.info.ID, d.sender.ID}] }

// recall gives a device that was first received at t, as an answer when it was asked, its past back.
func (d *device) recall(t event.Time, asked bool) {
	p := d.past()
	if p == nil {
		return
	}
	if p.FirstSeen != 0 && (d.firstSeen == 0 || p.FirstSeen < d.firstSeen) {
		d.firstSeen = p.FirstSeen
	}
	d.restarts += p.Restarts
	now := d.identity.software
	d.identity.software = slices.Clone(p.Software)
	for _, s := range now {
		d.identity.ran(s.Version, s.Since)
	}
	d.identity.before, d.identity.known = slices.Clone(p.Before), p.Product
	missed := d.net.askedAll != 0 && t.Sub(d.net.askedAll) > d.net.boat.opt.SilentAfter
	d.back = len(p.Heard) > 0 && (!p.On || missed || !asked && t.Sub(d.net.start) > comeBack)
}

// comeBack is how soon after its network was received first a device shows that it was on all the while before: devices
// send a heartbeat every minute.
const comeBack = time.Minute + 10*time.Second

// everHeard is when a device or talker sent, in this window and before it; back when it was off before the first of this.
func everHeard(window []Span, p *Past, back bool) []Span {
	if p == nil || len(p.Heard) == 0 || window[0].From < p.Heard[len(p.Heard)-1].Until { // else a clock was wrong
		return window
	}
	ever := slices.Concat(p.Heard, window)
	if n := len(p.Heard); !back {
		ever[n-1].Until = window[0].Until
		ever = slices.Delete(ever, n, n+1)
	}
	return lastOf(ever, maxSpans)
}

// onNow reports whether the device sends now, under a NAME that its unit uses.
func (d *Device) onNow() bool {
	return !d.Left && (d.State == Present || d.State == Provisional || d.State == NoAddress)
}

// addressesEver are the addresses of the device, in this window and before it.
func (d *Device) addressesEver() []AddressUse {
	p := d.Earlier
	if p == nil || len(p.Addresses) == 0 {
		return d.Addresses
	}
	if len(d.Addresses) > 0 && d.Addresses[0].Since < p.Addresses[len(p.Addresses)-1].Since { // a clock was wrong
		return d.Addresses
	}
	same := func(a, b AddressUse) bool { return a.Address == b.Address }
	return lastOf(slices.CompactFunc(slices.Concat(p.Addresses, d.Addresses), same), maxAddresses)
}

// restartsEver are the latest restarts of the device, in this window and before it.
func (d *Device) restartsEver() []event.Time {
	if d.Earlier == nil {
		return d.LastRestarts
	}
	all := slices.Concat(d.Earlier.Restarted, d.LastRestarts)
	slices.Sort(all)
	return lastOf(all, maxRestarts)
}

// lastProduct is the product that the device reported last, in this window or before it.
func (d *Device) lastProduct() *Product {
	if d.Product == nil && d.Earlier != nil {
		return d.Earlier.Product
	}
	return d.Product
}

// Past is what a later model is to know of the device.
func (d *Device) Past() Past {
	p := Past{ID: d.ID, Network: d.Network, FirstSeen: d.FirstSeen, Restarts: d.Restarts, Software: d.Software,
		Commands: d.Commands,
		Box:      d.Unit, BoxSince: d.UnitSince, Product: d.lastProduct(), Heard: slices.Clone(d.EverHeard),
		On: d.onNow() || d.Awaited, Addresses: d.addressesEver(), Restarted: d.restartsEver(), Before: d.Before}
	if n := len(p.Heard); n > 0 && d.onNow() {
		p.Heard[n-1].Until = 0
	}
	return p
}

// Past is what a later model is to know of the talker.
func (t *Talker) Past(now event.Time) Past {
	p := Past{ID: t.ID(), Network: t.Network, FirstSeen: t.FirstSeen(), Software: t.Software,
		Identity: t.lastIdentity(),
		Unit:     t.lastIdentity().Unit(), Heard: slices.Clone(t.Heard), On: t.State(now) == Present}
	if p.Unit == "" && t.Earlier != nil {
		p.Unit = t.Earlier.Unit
	}
	if n := len(p.Heard); n > 0 && p.On {
		p.Heard[n-1].Until = 0
	}
	return p
}

// lastIdentity is the identity that the talker reported last, in this window or before it.
func (t *Talker) lastIdentity() *TalkerIdentity {
	if t.Identity == nil && t.Earlier != nil {
		return t.Earlier.Identity
	}
	return t.Identity
}

// awaited reports whether what was on when the record ended may still show that it is, on the network of that number; -1 for none.
func (b *Boat) awaited(p *Past, network int) bool {
	return p.On && (network < 0 || b.now.Sub(b.nets[network].start) <= b.opt.GoneAfter)
}

// talkersUnmet adds the talkers of before that were not received again to those that did not come back.
func (b *Boat) talkersUnmet(r *State) {
	for key, p := range b.past {
		letters, ok := strings.CutPrefix(p.ID, key.network+"/")
		if !ok || len(p.Heard) == 0 {
			continue
		}
		at := slices.IndexFunc(b.nets, func(n *network) bool { return n != nil && n.info.ID == key.network })
		if at >= 0 && b.nets[at].talkers.talkers[letters] != nil {
			continue
		}
		unmet := *p
		unmet.On = b.awaited(p, at)
		r.Unmet = append(r.Unmet, unmet)
	}
	slices.SortFunc(r.Unmet, func(x, y Past) int { return cmp.Compare(x.ID, y.ID) })
}

// reportUnmet adds the named devices of before that were not received again, as devices that are gone. What was on when
// the record ended is awaited for a while.
func (b *Boat) reportUnmet(r *State) {
	before := len(r.Devices)
	order := map[string]int{}
	for key, p := range b.past {
		name, err := pgn.ParseNAME(p.ID)
		if err != nil || len(p.Heard) == 0 || slices.Contains(b.opt.Own, name) { // a talker, or an older record
			continue
		}
		at := slices.IndexFunc(b.nets, func(n *network) bool { return n != nil && n.info.ID == key.network })
		if at >= 0 && b.nets[at].byName[name] != nil {
			continue
		}
		last := p.Heard[len(p.Heard)-1].Until
		d := Device{ID: p.ID, Network: p.Network, State: Gone, StateSince: last, Name: b.name(name), Product: p.Product,
			FirstSeen: p.FirstSeen, LastSeen: last, Restarts: p.Restarts, Software: p.Software, Before: p.Before,
			Commands: p.Commands,
			Unit:     p.Box, UnitSince: p.BoxSince, EverHeard: p.Heard, Earlier: p, Unmet: true}
		f := name.Fields()
		d.Role = roleOf(f.DeviceClass, f.DeviceFunction)
		d.Awaited = b.awaited(p, at)
		if order[p.Network] = at; at < 0 {
			order[p.Network] = len(b.nets)
		}
		r.Devices = append(r.Devices, d)
	}
	if len(r.Devices) == before {
		return
	}
	for i, n := range b.nets {
		if n != nil {
			order[n.info.ID] = i
		}
	}
	slices.SortStableFunc(r.Devices, func(x, y Device) int {
		c := cmp.Or(cmp.Compare(order[x.Network], order[y.Network]), cmp.Compare(x.Network, y.Network),
			compareBool(x.Name == nil, y.Name == nil))
		if c == 0 && x.Name != nil {
			return cmp.Compare(x.ID, y.ID)
		}
		return c
	})
}

// leaveOutUnmet takes the units off the list of which nothing came back, unless they were replaced.
func (s *State) leaveOutUnmet() {
	if !slices.ContainsFunc(s.Devices, func(d Device) bool { return d.Unmet }) {
		return
	}
	out := make([]bool, len(s.Devices))
	s.Units = slices.DeleteFunc(s.Units, func(u Unit) bool {
		if u.Life.ReplacedBy != "" || slices.ContainsFunc(u.Presences, func(p Presence) bool {
			return p.Kind != PresenceDevice || !s.Devices[p.At].Unmet
		}) {
			return false
		}
		for _, p := range u.Presences {
			out[p.At] = true
		}
		return true
	})
	at, kept := make([]int, len(s.Devices)), s.Devices[:0]
	for i := range s.Devices {
		at[i] = len(kept)
		if out[i] {
			s.Unmet = append(s.Unmet, s.Devices[i].Past())
		} else {
			kept = append(kept, s.Devices[i])
		}
	}
	s.Devices = kept
	for i := range s.Units {
		for j := range s.Units[i].Presences {
			if p := &s.Units[i].Presences[j]; p.Kind == PresenceDevice {
				p.At = at[p.At]
			}
		}
	}
}
