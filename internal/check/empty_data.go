package check

import (
	"time"

	"muster/internal/event"
)

// emptyData: messages that keep coming with every value "not available"; one finding a device.
func emptyData(p *Pass) {
	for _, d := range p.others(speaking) {
		var words []string
		var keys []string
		var since []event.Time
		filled, wait := false, time.Duration(0)
		for i := range d.Transmits {
			t := &d.Transmits[i]
			switch {
			case t.Available == nil || !p.sending(t):
				continue
			case *t.Available || t.EmptySince.IsZero():
				filled = true
				continue
			case t.Count < p.Settings.EmptyData.Count:
				wait = max(wait, until(t.Last.Sub(t.First), t.Count, p.Settings.EmptyData.Count))
				continue
			}
			words = append(words, title(t))
			keys = append(keys, messageKey(t))
			since = append(since, t.EmptySince)
		}
		switch {
		case len(words) > 0:
		case wait > 0:
			p.Short(d.Network, d.ID, label(d)+" sent too few messages", wait)
			continue
		case filled:
			p.Clear(d.Network, d.ID)
			continue
		default:
			continue
		}
		first := earliest(since...)
		p.Find(Finding{
			Subject: d.ID, Devices: []string{d.ID}, Network: d.Network, Since: first,
			Values:   Values{"device": label(d), "messages": enumerate(words), "for": p.since(first)},
			Evidence: evidence("messages", keys, "empty_since", first),
		})
	}
}
