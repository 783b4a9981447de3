package check

import (
	"fmt"
	"slices"

	"muster/internal/boat"
	"muster/internal/event"
)

// manySources: several devices send one quantity. That is often wanted; it needs a choice on every head.
func manySources(p *Pass) {
	list := p.others(speaking)
	for _, n := range p.networks(event.NMEA2000) {
		here := on(list, n.ID)
		for _, q := range boat.Quantities() {
			var from []*boat.Device
			var pgns []int
			for _, d := range here {
				sends := false
				for i := range d.Transmits {
					t := &d.Transmits[i]
					if slices.Contains(q.PGNs, t.PGN) && p.sending(t) && (t.Available == nil || *t.Available) {
						sends = true
						pgns = append(pgns, int(t.PGN))
					}
				}
				if sends {
					from = append(from, d)
				}
			}
			if len(from) < 2 {
				continue
			}
			slices.Sort(pgns)
			p.Find(Finding{
				Subject: n.ID + " " + q.Name, Devices: ids(from), Network: n.ID,
				Summary:  fmt.Sprintf("%d sources of %s on %s: %s", len(from), q.Name, n.ID, labels(from)),
				Evidence: evidence("quantity", q.Name, "messages", slices.Compact(pgns)),
				Remedy: "On every head and on the pilot, choose the source by hand instead of automatic, the same one everywhere, and name the second choice. " +
					"Switch off the output of sources that nobody needs.",
			})
		}
	}
}
