package check

import (
	"fmt"
	"slices"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
)

// silent: devices that stopped speaking. When all of a network did, that is one finding about the network.
func silent(p *Pass) {
	quiet := func(d *boat.Device) bool { return d.State == boat.Silent || d.State == boat.Gone }
	all := p.others(quiet)
	known := p.others(func(*boat.Device) bool { return true })
	for i := range p.State.Networks {
		n := &p.State.Networks[i]
		list := on(all, n.ID)
		switch {
		case !n.DownSince.IsZero():
			p.Find(Finding{
				Subject: n.ID, Devices: ids(on(known, n.ID)), Network: n.ID, Since: n.DownSince,
				Summary:  fmt.Sprintf("muster hears nothing on %s: its adapter or connection is away%s", n.ID, p.since(n.DownSince)),
				Evidence: evidence("down_since", n.DownSince, "times_lost", n.Faults.SourceLost),
				Remedy:   "Plug the adapter in again and look at its cable. Until it is back, nothing is known of the devices on this network.",
			})
		case isBusOff(n): // has a check of its own
		case len(list) > 1 && p.allQuiet(on(known, n.ID)):
			p.allSilent(n, list)
		default:
			for _, d := range list {
				p.oneSilent(d)
			}
		}
	}
}

// allQuiet reports whether no device was heard of late. A device that speaks only when asked is never silent by itself.
func (p *Pass) allQuiet(list []*boat.Device) bool {
	return !slices.ContainsFunc(list, func(d *boat.Device) bool { return p.Now.Sub(d.LastSeen) <= recent })
}

// allSilent reports the network, and by itself each device that had fallen silent well before the others.
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
		Summary:  fmt.Sprintf("Nothing on %s has spoken%s: %d devices are silent", n.ID, p.since(last), len(list)),
		Evidence: evidence("devices", len(list), "last_seen", last),
		Remedy: "If the boat's electronics are switched off, this is as it should be. If not, check the backbone's supply: breaker, fuse, power tee; " +
			"then that both ends carry a terminator and that muster's own drop is connected. " + cautionWiring,
	})
}

func (p *Pass) oneSilent(d *boat.Device) {
	p.Find(Finding{
		Subject: d.ID, Devices: []string{d.ID}, Network: d.Network, Since: d.LastSeen,
		Summary:  fmt.Sprintf("%s has not spoken%s", label(d), p.since(d.LastSeen)),
		Evidence: evidence("state", string(d.State), "last_seen", d.LastSeen, "restarts", d.Restarts, "messages", messages(d)),
		Remedy: "See whether the device is switched on and its breaker closed, then its drop cable and tee: swap the drop to a tee that works. " +
			"If it speaks there, the tee or its plug is at fault; if not, the device or its cable is. " + cautionWiring,
	})
}
