package check

import (
	"muster/internal/boat"
	"muster/internal/event"
)

// notIdentified: a device with a NAME whose product information (PGN 126996) was never heard.
func notIdentified(p *Pass) {
	late := p.others(func(d *boat.Device) bool {
		return d.State == boat.Present && d.Name != nil && d.Product == nil && p.Now.Sub(d.FirstSeen) >= p.Settings.NotIdentified.After
	})
	for _, n := range p.networks(event.NMEA2000) {
		list := on(late, n.ID)
		if len(list) == 0 {
			continue
		}
		if !p.asking(n.ID) {
			p.Find(Finding{
				Subject: n.ID, Devices: ids(list), Network: n.ID,
				Case: "not-asked", Values: Values{"count": plural(len(list), "device"), "network": n.ID, "devices": labels(list)},
				Evidence: evidence("devices", ids(list), "asked", false),
			})
			continue
		}
		for _, d := range list {
			why := ""
			if d.Unanswered != "" {
				why = ": " + d.Unanswered
			}
			p.Find(Finding{
				Subject: d.ID, Devices: []string{d.ID}, Network: n.ID, Since: d.FirstSeen,
				Values:   Values{"device": label(d), "for": p.since(d.FirstSeen), "why": why},
				Evidence: evidence("asked", true, "unanswered", d.Unanswered, "first_seen", d.FirstSeen),
			})
		}
	}
}
