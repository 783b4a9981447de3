package boat

import (
	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// A route is what is known of the frames of one identifier: what its header adds to their bits and, once a message came that tells
// nothing about the network itself, where the next ones go. It spares a frame all look-ups; network.take is what it must agree with.
type route struct {
	key    uint64 // identifier and era; 0 when unused
	head   transport.Head
	whole  bool    // each frame is a message, and nobody else wants to see it
	device *device // nil: not known
	stream *stream // that of the latest message
}

const (
	routeTable = 12 // bits of the number of identifiers remembered
	routeBits  = 32 // of the key that hold the identifier
)

// slot is where the route of an identifier stands.
func (n *network) slot(id uint32) *route { return &n.routes[id*0x9E3779B1>>(32-routeTable)] }

// begin makes r the route of another identifier.
func (r *route) begin(era uint64, id uint32) {
	*r = route{key: era | uint64(id), head: transport.HeadOf(id)}
}

// reroute forgets all routes: an address has changed hands, or a device was dropped.
func (n *network) reroute() { n.era += 1 << routeBits }

// point lets the frames like the one that completed m go to its device straight on. It must be one whose sender is beyond doubt.
func (n *network) point(r *route, m *transport.Message, d *device) {
	number := m.PGN()
	if n.boat.noRoutes || n.rival[m.Source()] != nil || managed(number) || d.twinOf == nil && !d.named && n.former[m.Source()] != nil || number != pgn.ID(r.key).PGN() {
		return
	}
	if s := d.stream(number, m.Data); s != nil {
		r.device, r.stream = d, s
		r.whole = n.asm.Whole(number) && n.boat.opt.OnMessage == nil
	}
}

// pass takes a message that came by a route.
func (n *network) pass(r *route, data []byte, t event.Time) {
	d, s := r.device, r.stream
	if quiet := event.Time(n.boat.opt.SilentAfter); t != 0 && d.firstSeen != 0 && t-d.lastSeen <= quiet {
		d.lastSeen = t
	} else {
		d.heard(t)
	}
	if s.split && s.key != keyOf(s.def, data) {
		if s = d.stream(s.pgn, data); s == nil {
			n.faults.Untracked++
			return
		}
		r.stream = s
	}
	s.hear(d, data, t)
}
