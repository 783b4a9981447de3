package check

import (
	"muster/internal/boat"
)

// noAddress: a device that claimed the null address, 254 (ISO 11783-5: cannot claim).
func noAddress(p *Pass) {
	for _, d := range p.others(func(d *boat.Device) bool { return d.State == boat.NoAddress }) {
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
}
