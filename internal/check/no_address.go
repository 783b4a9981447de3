package check

import (
	"fmt"

	"muster/internal/boat"
)

// noAddress: a device that claimed the null address, 254 (ISO 11783-5: cannot claim).
func noAddress(p *Pass) {
	for _, d := range p.others(func(d *boat.Device) bool { return d.State == boat.NoAddress }) {
		fixed := ""
		if d.Name != nil && !d.Name.ArbitraryAddress {
			fixed = " This device can use one fixed address only: whatever else holds that address must give way."
		}
		p.Find(Finding{
			Subject: d.ID, Devices: []string{d.ID}, Network: d.Network, Since: d.StateSince,
			Summary:  fmt.Sprintf("%s cannot claim an address and stays mute%s", unaddressed(d), p.since(d.StateSince)),
			Evidence: evidence("name", d.ID, "claim", "null address 254", "since", d.StateSince),
			Remedy: "Restart this device alone, with the rest of the backbone running, so that it looks for a free address again." + fixed +
				" If it stays mute, look for a device that claims many addresses, and for software of this device that is known to lose its address.",
		})
	}
}
