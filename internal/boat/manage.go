package boat

import (
	"slices"
	"time"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// The messages that the model itself reads.
const (
	pgnAck           = 59392
	pgnRequest       = 59904
	pgnClaim         = 60928
	pgnList          = 126464
	pgnHeartbeat     = 126993
	pgnProduct       = 126996
	pgnConfiguration = 126998
)

// manage reads a message about the network or its devices.
func (n *network) manage(m *transport.Message, d *device, number uint32) {
	switch number {
	case pgnRequest:
		n.request(m)
	case pgnAck:
		n.acknowledge(m, d)
	case pgnGroup:
		n.group(m, d)
	case pgnAddress:
		n.commandAddress(m, d)
	case pgnHeartbeat:
		if !d.takeBeat(m.Data, m.Time) {
			n.faults.InvalidMessages++
		}
	case pgnProduct, pgnConfiguration, pgnList:
		if !d.identity.take(m, number) {
			n.faults.InvalidMessages++
		}
		if number == pgnProduct {
			d.unanswered = ""
		}
	}
}

// nobody takes a message from an address that no device can have: requests and "cannot claim" come from the null
// address.
func (n *network) nobody(m *transport.Message, src uint8) {
	switch {
	case m == nil:
	case src == pgn.Global:
		n.faults.InvalidMessages++
	case m.PGN() == pgnClaim:
		n.cannotClaim(m)
	case m.PGN() == pgnRequest:
		n.request(m)
	}
}

// request remembers who was asked for a claim, so that the answer does not pass for a restart.
func (n *network) request(m *transport.Message) {
	if len(m.Data) < 3 {
		n.faults.InvalidMessages++
		return
	}
	if uint32(m.Data[0])|uint32(m.Data[1])<<8|uint32(m.Data[2])<<16 != pgnClaim {
		return
	}
	if m.Destination == pgn.Global {
		n.askedAll = m.Time
	} else {
		n.asked[m.Destination] = m.Time
	}
}

// acknowledge notes that a device refuses to give its product information.
func (n *network) acknowledge(m *transport.Message, d *device) {
	if len(m.Data) < 8 {
		n.faults.InvalidMessages++
		return
	}
	wanted := uint32(m.Data[5]) | uint32(m.Data[6])<<8 | uint32(m.Data[7])<<16
	if wanted == pgnGroup && m.Data[0] != 0 {
		n.refuse(m, d)
	}
	if wanted != pgnProduct || d.identity.product != nil {
		return
	}
	switch m.Data[0] {
	case 1:
		d.unanswered = "does not support product information"
	case 2:
		d.unanswered = "denies access to product information"
	}
}

// claim takes an address claim from src and returns the device that made it, or nil when it cannot be kept.
func (n *network) claim(m *transport.Message, src uint8) *device {
	name, ok := pgn.DecodeNAME(m.Data)
	if !ok {
		n.faults.InvalidMessages++
		return n.byAddress[src]
	}
	n.asm.Restarted(src)
	t := m.Time
	contested := n.contend(src, name, t)
	d, here := n.byName[name], n.byAddress[src]
	if d != nil && n.wasLeft(d) {
		d.begin(t)
	}
	switch {
	case d == nil && here != nil && !here.named: // the one that sent from here so far
		d = here
		n.keepName(d, name)
		d.addresses = append(d.addresses, AddressUse{Address: src, Since: t})
	case d == nil:
		if d = n.newNamed(src, name, t); d == nil {
			return nil
		}
		n.settle(d, src, t)
	default:
		n.withdraw(d, src)
		n.judgeRestart(d, src, t, contested)
		if d.address != src {
			n.settle(d, src, t)
		} else {
			n.rival[src], d.lost = nil, pgn.Null // it defends its address
		}
	}
	if d.cannot {
		d.cannot, d.since = false, t
	}
	d.claimed = t
	if len(n.commands) > 0 {
		n.tookAddress(d, src, t)
	}
	return d
}

// wasLeft reports whether the device's unit sent under another NAME since the device last sent.
func (n *network) wasLeft(d *device) bool {
	if d.address == pgn.Null && !d.cannot {
		return true
	}
	was := d.sender.NAME.Fields()
	return slices.ContainsFunc(n.devices, func(o *device) bool {
		if !o.named || o == d || o.from < d.lastSeen {
			return false
		}
		is := o.sender.NAME.Fields()
		return is.Manufacturer == was.Manufacturer && is.UniqueNumber == was.UniqueNumber
	})
}

// keepName turns a provisional device into a named one.
func (n *network) keepName(d *device, name pgn.NAME) {
	n.byName[name] = d
	d.named, d.sender.NAME, d.sender.ID, d.duplicateOf = true, name, "", nil
	d.nameIt()
	d.recall(d.from, false)
}

func (n *network) newNamed(src uint8, name pgn.NAME, t event.Time) *device {
	if !n.room() {
		n.faults.Untracked++
		return nil
	}
	d := newDevice(n, pgn.Null, name, true, t)
	if d.recall(t, n.askedFor(src, t)); d.back {
		d.restart(t)
	}
	n.devices = append(n.devices, d)
	n.byName[name] = d
	return d
}

// room makes room for one more device. The next that sent nothing but claims makes way, for NAMEs are easily invented; else the device
// that is gone longest.
func (n *network) room() bool {
	if len(n.devices) < n.boat.opt.MaxDevices {
		return true
	}
	at := n.unproven()
	if at < 0 {
		at = n.longestGone()
	}
	if at < 0 {
		return false
	}
	n.forget(n.devices[at])
	n.faults.Displaced++
	return true
}

// unproven finds a device that sent nothing but claims, from where the last was found; -1 for none.
func (n *network) unproven() int {
	for i := range n.devices {
		k := (n.claimant + i) % len(n.devices)
		d := n.devices[k]
		claims := len(d.streams) == 0 || len(d.streams) == 1 && d.streams[0].pgn == pgnClaim
		if claims && d.named && d.identity.product == nil {
			n.claimant = k
			return k
		}
	}
	return -1
}

// longestGone finds the device that is gone longest; -1 for none. Who is gone hardly changes within a second.
func (n *network) longestGone() int {
	now, at := n.boat.now, -1
	if ago := now.Sub(n.noneGone); ago >= 0 && ago < time.Second {
		return -1
	}
	for i, d := range n.devices {
		if st, _ := d.state(now); st == Gone && (at < 0 || d.lastSeen < n.devices[at].lastSeen) {
			at = i
		}
	}
	if at < 0 {
		n.noneGone = now
	}
	return at
}

// forget takes a device off the list.
func (n *network) forget(d *device) {
	if i := slices.Index(n.devices, d); i >= 0 {
		n.devices = slices.Delete(n.devices, i, i+1)
	}
	n.streams -= len(d.streams)
	if d.named {
		delete(n.byName, d.sender.NAME)
	}
	for a := range n.byAddress {
		if n.byAddress[a] == d {
			n.byAddress[a] = nil
		}
		if n.former[a] == d {
			n.former[a] = nil
		}
		if n.rival[a] == d {
			n.rival[a] = nil
		}
	}
	for _, e := range n.devices {
		if e.duplicateOf == d {
			e.duplicateOf = nil
		}
		if e.loser == d {
			e.loser = nil
		}
	}
}

// provisional makes a device for an address without a claim.
func (n *network) provisional(src uint8, t event.Time) *device {
	if !n.room() {
		n.faults.Untracked++
		return nil
	}
	d := newDevice(n, src, 0, false, t)
	n.devices = append(n.devices, d)
	n.byAddress[src] = d
	return d
}

// suspect notes that an address is still in use whose owner claimed another: two devices of one NAME.
func (n *network) suspect(d *device, src uint8, t event.Time) {
	if owner := n.former[src]; owner != nil && t.Sub(owner.claimed) > claimPause {
		d.duplicateOf = owner
		owner.noteDuplicate(t, src, owner.address)
	}
}

// settle gives d the address src, unless another box of a lower NAME that still sends keeps it.
func (n *network) settle(d *device, src uint8, t event.Time) {
	here := n.byAddress[src]
	if here != nil && here != d && here.named && here.sender.NAME < d.sender.NAME &&
		here.silentAt(t) == 0 && !sameBox(here, d) {
		n.rival[src], d.lost = d, src
		here.rivalled(d, here)
		return
	}
	n.occupy(d, src, t)
}

// succeed gives the address src to the device that claimed it, when the holder, of the lower NAME, has let claimPause go by without
// defending it with a claim of its own, as it must (ISO 11783-5): it was unplugged, and another put in its place.
func (n *network) succeed(src uint8, t event.Time) {
	d := n.rival[src]
	if d == nil || t.Sub(d.claimed) <= claimPause {
		return
	}
	n.rival[src] = nil
	if !d.cannot {
		n.occupy(d, src, t)
	}
}

// sameBox reports whether two NAMEs differ in nothing but the instances, which a person can set. A holder that is
// another box defends its address and has it back at once.
func sameBox(a, b *device) bool {
	x, y := a.sender.NAME.Fields(), b.sender.NAME.Fields()
	x.DeviceInstance, x.SystemInstance = y.DeviceInstance, y.SystemInstance
	return x == y
}

// withdraw ends the rivalry of the device for every address but src.
func (n *network) withdraw(d *device, src uint8) {
	for a, r := range n.rival {
		if r == d && uint8(a) != src {
			n.rival[a] = nil
		}
	}
}

// occupy puts d at the address src.
func (n *network) occupy(d *device, src uint8, t event.Time) {
	here := n.byAddress[src]
	if old := d.address; old != pgn.Null && n.byAddress[old] == d {
		n.byAddress[old] = nil
		n.former[old] = d
		d.moves = lastOf(append(d.moves, t), maxMoves)
	}
	if here != nil && here != d {
		if here.named {
			here.address, here.lost = pgn.Null, src
			here.nameIt()
			d.rivalled(here, here)
		} else {
			n.absorb(d, here)
		}
	}
	n.byAddress[src], n.former[src], n.rival[src] = d, nil, nil
	d.address, d.lost = src, pgn.Null
	d.nameIt()
	if i := slices.IndexFunc(d.addresses, func(u AddressUse) bool { return u.Address == src }); i >= 0 && len(d.moves) > 1 {
		d.returned(t, src)
	}
	d.addresses = lastOf(append(d.addresses, AddressUse{Address: src, Since: t}), maxAddresses)
}

// absorb adds what was received from an unclaimed address to the device that claims it.
func (n *network) absorb(d, provisional *device) {
	for _, s := range provisional.streams {
		i, found := slices.BinarySearchFunc(d.streams, s, compareStreams)
		if !found {
			if len(d.streams) >= n.boat.opt.MaxStreams {
				n.faults.Untracked += s.count
				continue
			}
			s.next = nil
			d.addStream(s)
			n.streams++
			continue
		}
		e := d.streams[i]
		e.spans.merge(&s.spans)
		e.bytes += s.bytes
		e.lastValue = max(e.lastValue, s.lastValue)
		e.everValue, e.everEmpty = e.everValue || s.everValue, e.everEmpty || s.everEmpty
		if e.mixture != nil {
			e.mixture.absorb(s.mixture)
		}
	}
	d.identity.absorb(&provisional.identity)
	if provisional.firstSeen != 0 {
		if d.firstSeen == d.from {
			d.from = min(d.from, provisional.from)
		}
		d.firstSeen = min(d.firstSeen, provisional.firstSeen)
	}
	n.forget(provisional)
}

func (x *mixture) absorb(other *mixture) {
	x.ever |= other.ever
	for m := range measureCount {
		x.last[m] = max(x.last[m], other.last[m])
	}
}

// cannotClaim takes the announcement of a device that found no address.
func (n *network) cannotClaim(m *transport.Message) {
	name, ok := pgn.DecodeNAME(m.Data)
	if !ok {
		n.faults.InvalidMessages++
		return
	}
	d := n.byName[name]
	if d == nil {
		if d = n.newNamed(pgn.Null, name, m.Time); d == nil {
			return
		}
	}
	d.heard(m.Time)
	if d.address != pgn.Null && n.byAddress[d.address] == d {
		n.byAddress[d.address] = nil
	}
	d.address = pgn.Null
	d.nameIt()
	if !d.cannot {
		d.cannot, d.since = true, m.Time
	}
	d.claimed = m.Time
}

// judgeRestart counts a claim as a restart of the device.
//
// A device claims an address when it starts; when asked for its claim; to defend its address or to take another one.
// So a claim shows a restart when it was not asked for, no other device claimed its address and the device did not go
// on sending right up to it, or when the device had fallen silent before it. Further claims within SettleTime belong
// to the same start. Product information sent unasked is no sign: devices answer requests that a listener may have
// missed, and some repeat it.
func (n *network) judgeRestart(d *device, src uint8, t event.Time, contested bool) {
	asked := n.askedFor(src, t) || d.address != pgn.Null && n.askedFor(d.address, t)
	silent := t != 0 && d.silentAt(t) != 0
	moving := d.address != src && d.address != pgn.Null || d.cannot
	if t == 0 || !silent && (asked || contested || moving || d.address == pgn.Null || d.steady(t)) {
		return
	}
	if d.restartAt != 0 && t >= d.restartAt && t.Sub(d.restartAt) <= n.boat.opt.SettleTime ||
		t >= d.firstSeen && t.Sub(d.firstSeen) <= n.boat.opt.SettleTime && !silent {
		return
	}
	d.restart(t)
}

func (d *device) restart(t event.Time) {
	d.restartAt = t
	d.restarts++
	d.restarted = lastOf(append(d.restarted, t), maxRestarts)
}

// askedFor reports whether a claim for the address at t answers a request.
func (n *network) askedFor(address uint8, t event.Time) bool {
	return slices.ContainsFunc([]event.Time{n.askedAll, n.asked[address]}, func(asked event.Time) bool {
		return asked != 0 && t >= asked && t.Sub(asked) <= n.boat.opt.RequestWindow
	})
}

// steady reports whether the device sends so often, and sent so shortly before t, that it cannot have started
// between: a start takes longer than claimPause.
func (d *device) steady(t event.Time) bool {
	usual := d.usualInterval()
	return usual > 0 && usual < claimPause && t.Sub(d.lastSeen) <= 2*usual
}

// lastOf keeps the last n elements, in place.
func lastOf[T any](s []T, n int) []T {
	if len(s) <= n {
		return s
	}
	return s[:copy(s, s[len(s)-n:])]
}
