package check

import (
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
				Values:   Values{"device": who, "addresses": addresses(t.Addresses)},
				Evidence: evidence("name", t.Name, "addresses", numbers(t.Addresses), "moves_per_minute", t.Changes, "last", t.Last),
			})
		}
	}
}
