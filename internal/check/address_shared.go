package check

import (
	"fmt"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/pgn"
)

// addressShared: two senders on one address. Counters that go up by one with every message show them.
func addressShared(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		found := false
		shared := p.others(func(d *boat.Device) bool { return d.Address != nil && d.Sharing != nil })
		for _, d := range on(shared, n.ID) {
			s := d.Sharing
			if p.Now.Sub(s.Last) > recent {
				continue
			}
			words := make([]string, len(s.Messages))
			for i, number := range s.Messages {
				words[i] = fmt.Sprintf("PGN %d", number)
			}
			found = true
			p.Find(Finding{
				Subject: fmt.Sprintf("%s address %d", n.ID, *d.Address), Devices: []string{d.ID}, Network: n.ID, Since: s.Since,
				Values:   Values{"device": unaddressed(d), "address": addressOf(d), "messages": enumerate(words)},
				Evidence: evidence("address", int(*d.Address), "messages", words, "since", s.Since, "last", s.Last),
			})
		}
		switch {
		case found || p.unheard(n):
		case len(on(p.others(counts), n.ID)) == 0:
			p.NotJudged(n.ID, n.ID, "no device sends a message with a sequence counter", NeedTraffic)
		default:
			p.Clear(n.ID, n.ID)
		}
	}
}

// counts reports whether the device sends a message with a counter: a fast packet or a heartbeat.
func counts(d *boat.Device) bool {
	for i := range d.Transmits {
		def := pgn.Lookup(d.Transmits[i].PGN)
		if def != nil && (def.Transport == pgn.Fast || def.PGN == 126993) {
			return true
		}
	}
	return false
}
