package check

import (
	"cmp"
	"fmt"
	"slices"

	"muster/internal/boat"
	"muster/internal/event"
)

// incompleteMessages: multi-frame messages of the last minute that did not arrive whole, or never, as sequence counters show.
func incompleteMessages(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		broken := p.lately(n, func(f *boat.Faults) uint64 { return f.BrokenSequences })
		aborted := p.lately(n, func(f *boat.Faults) uint64 { return f.TransportErrors })
		dropped := p.lately(n, func(f *boat.Faults) uint64 { return f.Dropped })
		never := p.lately(n, func(f *boat.Faults) uint64 { return f.LostMessages })
		lost := broken + never + aborted
		if lost < p.Settings.IncompleteMessages.PerMinute {
			if !p.few(n, "frame") {
				p.Clear(n.ID, n.ID)
			}
			continue
		}
		word, how := "", "incomplete"
		if never > 0 {
			how = "incomplete or not at all"
		}
		if dropped > 0 {
			word = "dropped"
		}
		p.Find(Finding{
			Case: word, Subject: n.ID, Network: n.ID, Since: n.FaultSince.BrokenSequences,
			Values: Values{"count": plural(lost, "multi-frame message"), "network": n.ID, "how": how},
			Evidence: evidence("fast_packet", broken, "never_came", never, "lost_by", p.losers(n.ID), "iso_transport", aborted, "dropped", dropped,
				"total", n.Faults.BrokenSequences+n.Faults.LostMessages+n.Faults.TransportErrors, "since", n.FaultSince.BrokenSequences),
		})
	}
}

// losers names the devices of a network whose messages never came, with how many since the start, most first.
func (p *Pass) losers(network string) (words []string) {
	const most = 5
	list := on(p.others(func(d *boat.Device) bool { return d.LostMessages > 0 }), network)
	slices.SortStableFunc(list, func(a, b *boat.Device) int { return cmp.Compare(b.LostMessages, a.LostMessages) })
	for _, d := range list[:min(most, len(list))] {
		words = append(words, fmt.Sprintf("%s: %d", label(d), d.LostMessages))
	}
	return words
}
