package check

import (
	"fmt"

	"muster/internal/boat"
)

// duplicateName: one NAME that is at home at two addresses. One device that moves settles; two with one NAME never do.
func duplicateName(p *Pass) {
	for i := range p.State.Networks {
		n := &p.State.Networks[i]
		for _, t := range n.Twins {
			if p.Now.Sub(t.Last) > recent || p.isOwn(t.Name) {
				continue
			}
			who := "NAME " + t.Name
			if own := p.others(func(d *boat.Device) bool { return d.ID == t.Name && d.Network == n.ID }); len(own) == 1 {
				who = unaddressed(own[0]) + ", NAME " + t.Name + ","
			}
			p.Find(Finding{
				Subject: n.ID + " " + t.Name, Devices: []string{t.Name}, Network: n.ID, Since: t.Since,
				Summary:  fmt.Sprintf("Two devices claim with one NAME: %s speaks from addresses %s", who, addresses(t.Addresses)),
				Evidence: evidence("name", t.Name, "addresses", numbers(t.Addresses), "moves_per_minute", t.Changes, "last", t.Last),
				Remedy: "Unplug one of the two: if the other settles, they are twins, often two new units left on one factory number. " +
					"Give one of them another device instance or unique number with the maker's tool; if that is not possible, the maker must replace it. " +
					"If there is only one such device aboard, look for a gateway that repeats the backbone onto itself.",
			})
		}
	}
}
