package check

import (
	"fmt"
	"slices"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/pgn"
)

// addressShared: two senders on one address. Counters that go up by one with every message show them; so do two serial
// numbers in turn, messages that come in turn by two clocks, and, once a device lost its address and gave it up to nobody,
// messages that come twice as often, in turn from two. Where nothing of that is so, it is not known whether there is a
// second one.
func addressShared(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		found := false
		shared := p.others(func(d *boat.Device) bool { return d.Address != nil && d.Sharing != nil })
		for _, d := range on(shared, n.ID) {
			s := d.Sharing
			if len(s.Serials) == 0 && p.Now.Sub(s.Last) > recent || p.Now.Sub(s.Last) > seldom {
				continue
			}
			found = true
			p.reportShared(n, d)
		}
		if found || p.unheard(n) {
			continue
		}
		lost := on(p.others(func(d *boat.Device) bool { return d.Lost != nil && d.State != boat.Gone }), n.ID)
		for _, d := range lost {
			p.NotJudged(n.ID, fmt.Sprintf("%s address %d", n.ID, *d.Lost), fmt.Sprintf("%s claimed address %d, which another unit has, "+
				"and reported no other one: the messages do not show whether it still sends", unaddressed(d), *d.Lost), NeedTraffic)
		}
		sends := on(p.others(func(d *boat.Device) bool { return d.Address != nil && d.State == boat.Present }), n.ID)
		blind := slices.DeleteFunc(slices.Clone(sends), counts)
		switch {
		case len(sends) == 0 || len(blind) == len(sends):
			p.NotJudged(n.ID, n.ID, "no device sends a message with a sequence counter", NeedTraffic)
		case len(blind) > 0:
			p.NotJudged(n.ID, n.ID, fmt.Sprintf("%d of %d units send no message with a sequence counter: %s",
				len(blind), len(sends), labels(blind)), NeedTraffic)
		case len(lost) == 0:
			p.Clear(n.ID, n.ID)
		}
	}
}

// seldom is how long ago product information, which is sent on request, may have shown a second sender.
const seldom = 10 * time.Minute

func (p *Pass) reportShared(n *boat.Network, d *boat.Device) {
	s, word, numbers := d.Sharing, "", d.Sharing.Messages
	switch {
	case len(s.Messages) > 0:
	case len(s.Doubled) > 0 && s.With == "":
		word, numbers = "clocks", s.Doubled
	case len(s.Doubled) > 0:
		word, numbers = "doubled", s.Doubled
	default:
		word = "serials"
	}
	messages := make([]string, len(numbers))
	for i, number := range numbers {
		messages[i] = fmt.Sprintf("PGN %d", number)
	}
	devices, other := []string{d.ID}, ""
	if o := p.device(n.ID, s.With); o != nil {
		devices, other = append(devices, o.ID), unaddressed(o)
	}
	device := unaddressed(d)
	if d.State == boat.Provisional {
		device = "a device without an address claim"
	}
	p.Find(Finding{
		Case: word, Subject: fmt.Sprintf("%s address %d", n.ID, *d.Address), Devices: devices, Network: n.ID, Since: s.Since,
		Values: Values{"device": device, "address": addressOf(d), "messages": enumerate(messages), "other": other,
			"serials": enumerate(s.Serials)},
		Evidence: evidence("address", int(*d.Address), "messages", messages, "serials", s.Serials, "since", s.Since, "last", s.Last),
	})
}

// counts reports whether the device sends a message with a counter: a fast packet, a heartbeat, or a single frame that
// it numbers.
func counts(d *boat.Device) bool {
	return d.Counts || slices.ContainsFunc(d.Transmits, func(t boat.Transmit) bool {
		def := pgn.Lookup(t.PGN)
		return def != nil && (def.Transport == pgn.Fast || def.PGN == 126993)
	})
}
