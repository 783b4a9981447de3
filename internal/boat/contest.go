package boat

import (
	"cmp"
	"slices"
	"time"

	"muster/internal/event"
	"muster/pgn"
)

// contest is a dispute over one address.
type contest struct {
	names   []pgn.NAME
	changes []event.Time // latest changes of the claiming NAME
	since   event.Time
	last    event.Time
}

// maxContenders bounds the NAMEs remembered of one contest.
const maxContenders = 16

// claimPause is how long a device stays quiet after a claim (ISO 11783-5; the kernel's J1939 stack waits as long).
const claimPause = 250 * time.Millisecond

// contend notes a claim for an address and reports whether it belongs to a dispute: another NAME that still sends
// claimed the same address, or did so within the last seconds.
func (n *network) contend(address uint8, name pgn.NAME, t event.Time) bool {
	before := n.claimer[address]
	n.claimer[address] = name
	c := n.contests[address]
	if before == 0 || before == name {
		return c != nil && t != 0 && t.Sub(c.last) <= n.boat.opt.RequestWindow
	}
	if other := n.byName[before]; other == nil || other.silentAt(t) != 0 || other.lastSeen == 0 ||
		other.address != address && other.address != pgn.Null && t.Sub(other.claimed) > time.Minute {
		return false // its successor, not its rival
	}
	if c == nil {
		c = &contest{since: t, names: []pgn.NAME{before}}
		n.contests[address] = c
	} else if t.Sub(c.last) > n.boat.opt.GoneAfter {
		*c = contest{since: t, names: []pgn.NAME{before}}
	}
	c.last = t
	c.changes = lastOf(append(c.changes, t), maxMoves)
	if len(c.names) < maxContenders && !slices.Contains(c.names, name) {
		c.names = append(c.names, name)
	}
	return true
}

// noteDuplicate notes that the device's NAME is in use at two addresses.
func (d *device) noteDuplicate(t event.Time, addresses ...uint8) {
	if d.duplicateSince == 0 {
		d.duplicateSince = t
	}
	d.duplicateLast = max(d.duplicateLast, t)
	for _, a := range addresses {
		if a != pgn.Null && !slices.Contains(d.heldAt, a) && len(d.heldAt) < maxAddresses {
			d.heldAt = append(d.heldAt, a)
		}
	}
}

// returned notes that the device is back at an address it had left: twice within a minute is two devices of one NAME.
func (d *device) returned(t event.Time, address uint8) {
	if d.moves[len(d.moves)-1].Sub(d.moves[len(d.moves)-2]) <= time.Minute {
		d.noteDuplicate(t, address, d.addresses[len(d.addresses)-1].Address)
	}
}

// within counts the times of the last minute.
func within(times []event.Time, now event.Time) (n int) {
	for _, t := range times {
		if now.Sub(t) <= time.Minute {
			n++
		}
	}
	return n
}

// reportContests lists the disputes, by address.
func (n *network) reportContests(now event.Time) []Contest {
	var list []Contest
	for address, c := range n.contests {
		names := make([]string, len(c.names))
		for i, name := range c.names {
			names[i] = name.String()
		}
		slices.Sort(names)
		list = append(list, Contest{Address: address, Names: names, Claims: within(c.changes, now), Since: c.since, Last: c.last})
	}
	slices.SortFunc(list, func(a, b Contest) int { return cmp.Compare(a.Address, b.Address) })
	return list
}

// reportDuplicates lists the NAMEs that claim from two places, by NAME.
func (n *network) reportDuplicates(now event.Time) []Duplicate {
	var list []Duplicate
	for _, d := range n.devices {
		if len(d.heldAt) < 2 {
			continue
		}
		t := Duplicate{Name: d.sender.ID, Addresses: slices.Sorted(slices.Values(d.heldAt)), Changes: within(d.moves, now), Since: d.duplicateSince,
			Last: d.duplicateLast}
		for _, e := range n.devices {
			if e.duplicateOf == d {
				t.Last = max(t.Last, e.lastSeen)
			}
		}
		list = append(list, t)
	}
	slices.SortFunc(list, func(a, b Duplicate) int { return cmp.Compare(a.Name, b.Name) })
	return list
}
