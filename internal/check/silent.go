package check

import (
	"slices"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
)

// silent: devices that stopped sending. When all of a network did, that is one finding about the network.
func silent(p *Pass) {
	quiet := func(d *boat.Device) bool { return d.State == boat.Silent || d.State == boat.Gone }
	all := p.others(quiet)
	known := p.others(func(*boat.Device) bool { return true })
	for i := range p.State.Networks {
		n := &p.State.Networks[i]
		list := on(all, n.ID)
		switch {
		case n.DownSince.IsZero() && n.Frames == 0 && len(on(known, n.ID)) == 0:
			p.unheard(n)
		case !n.DownSince.IsZero():
			p.Find(Finding{
				Subject: n.ID, Devices: ids(on(known, n.ID)), Network: n.ID, Since: n.DownSince,
				Case: "adapter", Values: Values{"network": n.ID, "for": p.since(n.DownSince)},
				Evidence: evidence("down_since", n.DownSince, "times_lost", n.Faults.SourceLost),
			})
		case isBusOff(n): // has a check of its own
			p.NotJudged(n.ID, n.ID, "the controller is off the bus", NeedTraffic)
		case len(list) > 1 && p.allQuiet(on(known, n.ID)):
			p.allSilent(n, list)
		default:
			for _, d := range list {
				p.oneSilent(d)
			}
			for _, d := range on(known, n.ID) {
				if speaking(d) {
					p.Clear(n.ID, d.ID)
				}
			}
		}
	}
}

// allQuiet reports whether no device sent recently. A device that sends only when asked is never silent by itself.
func (p *Pass) allQuiet(list []*boat.Device) bool {
	return !slices.ContainsFunc(list, func(d *boat.Device) bool { return p.Now.Sub(d.LastSeen) <= recent })
}

// allSilent reports the network, and by itself each device that had fallen silent long before the others.
func (p *Pass) allSilent(n *boat.Network, list []*boat.Device) {
	const before = 2 * time.Minute
	var last event.Time
	for _, d := range list {
		last = max(last, d.LastSeen)
	}
	for _, d := range list {
		if last.Sub(d.LastSeen) > before {
			p.oneSilent(d)
		}
	}
	p.Find(Finding{
		Subject: n.ID, Devices: ids(list), Network: n.ID, Since: last,
		Case: "network", Values: Values{"network": n.ID, "for": p.since(last), "count": len(list)},
		Evidence: evidence("devices", len(list), "last_seen", last),
	})
}

func (p *Pass) oneSilent(d *boat.Device) {
	p.Find(Finding{
		Subject: d.ID, Devices: []string{d.ID}, Network: d.Network, Since: d.LastSeen,
		Values:   Values{"device": label(d), "for": p.since(d.LastSeen)},
		Evidence: evidence("state", string(d.State), "last_seen", d.LastSeen, "restarts", d.Restarts, "messages", messages(d)),
	})
}
