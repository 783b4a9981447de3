package check

import (
	"fmt"

	"muster/internal/boat"
	"muster/internal/event"
)

// unclaimedSource: traffic from an address without a claim. While nobody asks, devices that started earlier do not claim again, so
// the whole network makes one mild finding; once muster asks, each source that stays unclaimed is a finding by itself.
func unclaimedSource(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		list := on(p.others(func(d *boat.Device) bool { return d.State == boat.Provisional }), n.ID)
		if len(list) == 0 {
			continue
		}
		if !p.asking(n.ID) {
			var since []event.Time
			var from []string
			for _, d := range list {
				since = append(since, d.FirstSeen)
				from = append(from, addressOf(d))
			}
			p.Find(Finding{
				Subject: n.ID, Devices: ids(list), Network: n.ID, Since: earliest(since...),
				Summary:  fmt.Sprintf("%s on %s: no address claim heard from %s", plural(len(list), "unknown device"), n.ID, enumerate(from)),
				Evidence: evidence("addresses", from, "asked", false),
				Remedy:   "These devices most likely claimed before muster was connected. " + askHint + " Or switch the backbone off and on while muster listens.",
			})
			continue
		}
		for _, d := range list {
			p.Find(Finding{
				Severity: Warning,
				Subject:  d.ID, Devices: []string{d.ID}, Network: n.ID, Since: d.FirstSeen,
				Summary:  fmt.Sprintf("Frames from %s on %s, which nobody claims even when asked", addressOf(d), n.ID),
				Evidence: evidence("asked", true, "messages", messages(d), "first_seen", d.FirstSeen, "last_seen", d.LastSeen),
				Remedy: "Find the sender: unplug drops one at a time until these frames stop. A device that does not claim can disturb the one that owns the address; " +
					"common senders are home-made gateways and old converters. Bring its software up to date or replace it.",
			})
		}
	}
}
