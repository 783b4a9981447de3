package check

import (
	"fmt"
	"slices"

	"muster/internal/event"
)

// addressContested: an address that keeps changing its owner. One change at start-up is how claiming works.
func addressContested(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		found := false
		for _, c := range n.Contests {
			if c.Claims < p.Settings.AddressContested.Claims || len(c.Names) < 2 {
				continue
			}
			word, others := "", slices.DeleteFunc(slices.Clone(c.Names), p.isOwn)
			if len(others) < len(c.Names) {
				word = "own"
			}
			words := make([]string, 0, len(others))
			for _, name := range others {
				word := "NAME " + name
				if d := p.device(n.ID, name); d != nil {
					word = unaddressed(d)
				}
				words = append(words, word)
			}
			found = true
			p.Find(Finding{
				Case: word, Subject: fmt.Sprintf("%s address %d", n.ID, c.Address), Devices: others, Network: n.ID, Since: c.Since,
				Values:   Values{"devices": enumerate(words), "address": c.Address},
				Evidence: evidence("address", int(c.Address), "names", slices.Clone(c.Names), "changes_per_minute", c.Claims, "since", c.Since, "last", c.Last),
			})
		}
		if !found && !p.unheard(n) {
			p.Clear(n.ID, n.ID)
		}
	}
}
