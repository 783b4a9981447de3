package check

import (
	"muster/internal/event"
)

// duplicateName: one NAME that is at home at two addresses. One device that moves settles; two with one NAME never do.
func duplicateName(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		found := false
		for _, t := range n.Duplicates {
			if p.Now.Sub(t.Last) > recent {
				continue
			}
			who := "NAME " + t.Name
			if d := p.device(n.ID, t.Name); d != nil {
				who = unaddressed(d) + ", NAME " + t.Name + ","
			}
			word, about, severity := "", []string{t.Name}, Severity("")
			if p.isOwn(t.Name) {
				word, about, severity = "own", nil, Warning
			}
			found = true
			p.Find(Finding{
				Case: word, Severity: severity, Subject: n.ID + " " + t.Name, Devices: about, Network: n.ID, Since: t.Since,
				Values:   Values{"device": who, "addresses": addresses(t.Addresses)},
				Evidence: evidence("name", t.Name, "addresses", numbers(t.Addresses), "moves_per_minute", t.Changes, "last", t.Last),
			})
		}
		if !found && !p.unheard(n) {
			p.Clear(n.ID, n.ID)
		}
	}
}
