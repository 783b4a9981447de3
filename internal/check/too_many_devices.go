package check

import (
	"muster/internal/boat"
	"muster/internal/event"
)

// tooManyDevices counts physical devices: NAMEs of one manufacturer with one serial number are one box.
func tooManyDevices(p *Pass) {
	type box struct {
		maker  uint32
		serial string
	}
	list := p.others(func(d *boat.Device) bool { return d.State != boat.Gone })
	for _, n := range p.networks(event.NMEA2000) {
		boxes := map[box]bool{}
		count, names := 0, 0
		for _, d := range on(list, n.ID) {
			names++
			if d.Name != nil && d.Product != nil && d.Product.Serial != "" {
				b := box{d.Name.Manufacturer.Code, d.Product.Serial}
				if boxes[b] {
					continue
				}
				boxes[b] = true
			}
			count++
		}
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
			Evidence: evidence("devices", count, "names", names, "limit", limit),
		})
	}
}
