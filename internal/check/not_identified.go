package check

import (
	"fmt"

	"muster/internal/boat"
	"muster/internal/event"
)

// notIdentified: a device with a NAME whose product information (PGN 126996) was never received.
func notIdentified(p *Pass) {
	after := p.Settings.NotIdentified.After
	here := p.others(func(d *boat.Device) bool { return d.State == boat.Present && d.Name != nil })
	for _, n := range p.networks(event.NMEA2000) {
		var list []*boat.Device
		for _, d := range on(here, n.ID) {
			switch known := p.Now.Sub(d.FirstSeen); {
			case d.Product != nil:
				p.Clear(n.ID, d.ID)
			case known >= after || d.Unanswered != "":
				list = append(list, d)
			case p.asking(n.ID):
				p.Short(n.ID, d.ID, fmt.Sprintf("%s has %s to answer, %s passed", label(d), span(after), span(known)), after-known)
			default:
				p.Short(n.ID, d.ID, fmt.Sprintf("%s may send its product information within %s", label(d), span(after)), after-known)
			}
		}
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
