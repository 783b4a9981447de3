package check

import (
	"fmt"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
)

// commandedWithin is how long a change of a setting remains a finding; the unit's life keeps it.
const commandedWithin = time.Hour

// commanded: a device set something on another over the network; one finding for each pair and message, of the latest.
func commanded(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		latest := map[string]*boat.RemoteSetting{}
		var order []string
		count := map[string]int{}
		for i := range n.Commands {
			c := &n.Commands[i]
			if p.isOwn(c.From) || p.Now.Sub(c.At) > commandedWithin {
				continue
			}
			subject := fmt.Sprintf("%s %d>%d %d", n.ID, c.FromAddress, c.ToAddress, c.PGN)
			if latest[subject] == nil {
				order = append(order, subject)
			}
			latest[subject] = c
			count[subject]++
		}
		for _, subject := range order {
			p.reportCommand(n, subject, latest[subject], count[subject])
		}
		if len(order) == 0 && !p.unheard(n) {
			p.Clear(n.ID, n.ID)
		}
	}
}

func (p *Pass) reportCommand(n *boat.Network, subject string, c *boat.RemoteSetting, count int) {
	word := ""
	switch c.Outcome {
	case boat.Refused:
		word = "refused"
	case "":
		word = "unanswered"
	}
	to := "all devices"
	if c.To != "" {
		to = p.sourceLabel(c.To)
	}
	p.Find(Finding{
		Case: word, Subject: subject, Devices: p.deviceIDs([]string{c.From, c.To}), Network: n.ID, Since: c.At,
		Values: Values{"from": p.sourceLabel(c.From), "to": to, "what": c.What, "why": c.Why, "ago": span(p.Now.Sub(c.At))},
		Evidence: evidence("from", c.From, "to", c.To, "pgn", int(c.PGN), "what", c.What, "outcome", string(c.Outcome), "why", c.Why,
			"at", c.At, "count", count),
	})
}
