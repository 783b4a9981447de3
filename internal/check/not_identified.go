package check

import (
	"fmt"

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
				Summary:  fmt.Sprintf("%s on %s without model and software: nobody has asked %s", plural(len(list), "device"), n.ID, labels(list)),
				Evidence: evidence("devices", ids(list), "asked", false),
				Remedy:   askHint + " Or let a head show its device list while muster listens: most heads ask when they do.",
			})
			continue
		}
		for _, d := range list {
			summary := fmt.Sprintf("%s has been heard%s without telling its model and software", label(d), p.since(d.FirstSeen))
			if d.Unanswered != "" {
				summary += ": " + d.Unanswered
			}
			p.Find(Finding{
				Subject: d.ID, Devices: []string{d.ID}, Network: n.ID, Since: d.FirstSeen,
				Summary:  summary,
				Evidence: evidence("asked", true, "unanswered", d.Unanswered, "first_seen", d.FirstSeen),
				Remedy:   "Read model, serial number and software off the device or its label and enter them by hand. Some older and simple devices never answer.",
			})
		}
	}
}
