package node

import (
	"time"

	"muster/internal/event"
	"muster/pgn"
)

// Addresses remembers which NAME claimed which address. The zero value has no claims.
type Addresses struct {
	names [256]pgn.NAME
	taken [256]bool
}

// Owner is the NAME at an address.
func (a *Addresses) Owner(addr uint8) (pgn.NAME, bool) { return a.names[addr], a.taken[addr] }

// Set notes a claim; the NAME leaves any other address it had.
func (a *Addresses) Set(addr uint8, name pgn.NAME) {
	a.Leave(name)
	a.names[addr], a.taken[addr] = name, true
}

// Leave notes that the NAME has no address any longer.
func (a *Addresses) Leave(name pgn.NAME) {
	for i := range a.names {
		if a.taken[i] && a.names[i] == name {
			a.taken[i] = false
		}
	}
}

// free is the first address from from upwards, around the end, that has no claim.
func (a *Addresses) free(from uint8) (uint8, bool) {
	for i := range int(pgn.MaxAddr) + 1 {
		addr := uint8((int(from) + i) % (int(pgn.MaxAddr) + 1))
		if !a.taken[addr] {
			return addr, true
		}
	}
	return pgn.Null, false
}

// claim sends a claim for addr and waits whether anybody objects.
func (n *Node) claim(now event.Time, addr uint8) {
	if addr != n.addr {
		n.msgs.reset()
	}
	n.addr, n.last = addr, addr
	n.state, n.until = Claiming, now.Add(ClaimWait)
	n.sendClaim()
}

func (n *Node) sendClaim() {
	n.owed = false
	if n.opts.Faults.Unclaimed {
		return
	}
	n.stats.Claims++
	n.buf = n.opts.Name.Append(n.buf[:0])
	n.emit(6, pgnClaim, n.addr, pgn.Global, n.buf)
}

// reclaim repeats the claim, now or as soon as the bound on claims allows.
func (n *Node) reclaim(now event.Time) {
	if n.claims.take(now, 1) {
		n.sendClaim()
		return
	}
	n.owed = true
	n.stats.Withheld++
}

// advance moves through the states that end by themselves.
func (n *Node) advance(now event.Time) {
	if n.until != 0 && now >= n.until {
		n.until = 0
		switch n.state {
		case Surveying:
			n.move(now, n.last)
		case Claiming:
			n.state = Claimed
			if n.opts.Heartbeat > 0 {
				n.beatAt = now
			}
		case Delaying:
			n.state = Unclaimed
			n.sendClaim()
		}
	}
	if n.owed && n.claims.take(now, 1) {
		n.sendClaim()
	}
}

// move claims the first free address from addr on, or gives up.
func (n *Node) move(now event.Time, addr uint8) {
	if addr > pgn.MaxAddr {
		addr = 0
	}
	if _, taken := n.owners.Owner(addr); !taken || n.opts.Faults.Stubborn || n.opts.Faults.Deaf {
		n.claim(now, addr)
		return
	}
	if n.opts.Name.ArbitraryAddress() {
		if a, ok := n.owners.free(addr); ok {
			n.claim(now, a)
			return
		}
	} else if owner, _ := n.owners.Owner(addr); n.opts.Name < owner {
		n.claim(now, addr)
		return
	}
	n.giveUp(now)
}

// giveUp announces, after a random while, that there is no address. The delay of 0 to 153 ms in steps of 0.6 ms keeps
// many nodes that lost at the same moment from announcing it with one identifier at one time (ISO 11783-5).
func (n *Node) giveUp(now event.Time) {
	n.addr = pgn.Null
	n.state, n.until = Delaying, now.Add(time.Duration(n.rng.IntN(256))*600*time.Microsecond)
	n.msgs.reset()
}

// heardClaim takes in another node's claim.
func (n *Node) heardClaim(now event.Time, src uint8, p []byte) {
	name, ok := pgn.DecodeNAME(p)
	if !ok {
		n.stats.Malformed++
		return
	}
	if name == n.opts.Name { // no winner is defined: answering would go round in circles
		n.stats.Duplicates++
		n.duplicate = now
		return
	}
	if src > 253 {
		n.owners.Leave(name)
		return
	}
	if src != n.addr || n.state != Claiming && n.state != Claimed {
		n.owners.Set(src, name)
		return
	}
	if n.opts.Name < name { // ours: claim it again
		n.owners.Leave(name)
		n.reclaim(now)
		return
	}
	n.stats.Lost++
	n.owners.Set(src, name)
	if n.opts.Faults.Deaf {
		return
	}
	if n.opts.Faults.Stubborn {
		n.reclaim(now)
		return
	}
	if !n.opts.Name.ArbitraryAddress() {
		n.giveUp(now)
		return
	}
	if a, free := n.owners.free(src); free {
		n.claim(now, a)
		return
	}
	n.giveUp(now)
}

// commanded obeys a commanded address (PGN 65240): the named node moves there if it can change its address at all.
func (n *Node) commanded(now event.Time, p []byte) {
	if len(p) < 9 {
		n.stats.Malformed++
		return
	}
	name, _ := pgn.DecodeNAME(p)
	if name != n.opts.Name || p[8] > pgn.MaxAddr || p[8] == n.addr && n.state == Claimed {
		return
	}
	if owner, taken := n.owners.Owner(p[8]); taken && owner < n.opts.Name {
		return // claiming it would only lose it again
	}
	n.claim(now, p[8])
}
