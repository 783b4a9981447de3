package check

import (
	"slices"

	"muster/internal/boat"
	"muster/internal/event"
)

// noAddress: a device that claimed the null address, 254 (ISO 11783-5: cannot claim).
func noAddress(p *Pass) {
	lost := p.others(func(d *boat.Device) bool { return d.State == boat.NoAddress })
	for _, d := range lost {
		word := ""
		if d.Name != nil && !d.Name.ArbitraryAddress {
			word = "fixed"
		}
		p.Find(Finding{
			Case: word, Subject: d.ID, Devices: []string{d.ID}, Network: d.Network, Since: d.StateSince,
			Values:   Values{"device": unaddressed(d), "for": p.since(d.StateSince)},
			Evidence: evidence("name", d.ID, "claim", "null address 254", "since", d.StateSince),
		})
	}
	for i := range p.State.Devices {
		if d := &p.State.Devices[i]; d.Own && d.State == boat.NoAddress {
			p.Find(Finding{
				Case: "own", Subject: d.ID, Network: d.Network, Since: d.StateSince, Values: Values{"network": d.Network},
				Evidence: evidence("name", d.ID, "claim", "null address 254", "since", d.StateSince),
			})
		}
	}
	for _, n := range p.networks(event.NMEA2000) {
		switch all := on(p.others(func(*boat.Device) bool { return true }), n.ID); {
		case p.unheard(n), len(on(lost, n.ID)) > 0:
		case !p.asking(n.ID) && !slices.ContainsFunc(all, func(d *boat.Device) bool { return d.Name != nil }):
			p.NotJudged(n.ID, n.ID, "no device claimed an address while muster listened", NeedAsking)
		default:
			p.Clear(n.ID, n.ID)
		}
	}
}
