package check

import (
	"cmp"

	"muster/internal/boat"
	"muster/internal/event"
)

// tooManyDevices counts the boxes on a network, however many NAMEs each has.
func tooManyDevices(p *Pass) {
	list := p.others(func(d *boat.Device) bool { return d.State != boat.Gone })
	for _, n := range p.networks(event.NMEA2000) {
		boxes, names := map[string]bool{}, on(list, n.ID)
		for _, d := range names {
			boxes[cmp.Or(d.Unit, d.ID)] = true
		}
		count := len(boxes)
		limit := p.Settings.TooManyDevices.Devices
		if count <= limit {
			if !p.unheard(n) {
				p.Clear(n.ID, n.ID)
			}
			continue
		}
		p.Find(Finding{
			Subject: n.ID, Network: n.ID,
			Values:   Values{"count": count, "network": n.ID, "limit": limit},
			Evidence: evidence("devices", count, "names", len(names), "limit", limit),
		})
	}
}
