package check

import (
	"time"

	"muster/internal/boat"
	"muster/internal/event"
)

// toClaim is how long a device that sends has to claim its address: it must answer within 250 ms when asked (ISO
// 11783-5), and a device that asks begins within seconds.
const toClaim = 5 * time.Second

// unclaimedSource: traffic from an address without a claim. While no device asks, devices that started earlier do not claim again, so
// the whole network makes one finding of severity info; once muster asks, each source that stays unclaimed is a finding by itself.
func unclaimedSource(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		list := on(p.others(func(d *boat.Device) bool { return d.State == boat.Provisional && p.Now.Sub(d.FirstSeen) >= toClaim }), n.ID)
		if len(list) == 0 {
			if !p.unheard(n) {
				p.Clear(n.ID, n.ID)
			}
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
				Case: "not-asked", Values: Values{"count": plural(len(list), "unknown device"), "network": n.ID, "addresses": enumerate(from)},
				Evidence: evidence("addresses", from, "asked", false),
			})
			continue
		}
		for _, d := range list {
			p.Find(Finding{
				Severity: Warning,
				Subject:  d.ID, Devices: []string{d.ID}, Network: n.ID, Since: d.FirstSeen,
				Values:   Values{"address": addressOf(d), "network": n.ID},
				Evidence: evidence("asked", true, "messages", messages(d), "first_seen", d.FirstSeen, "last_seen", d.LastSeen),
			})
		}
	}
}
