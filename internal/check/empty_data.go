package check

import (
	"muster/internal/event"
)

// emptyData: messages that keep coming with every value "not available"; one finding a device.
func emptyData(p *Pass) {
	for _, d := range p.others(speaking) {
		var words []string
		var keys []string
		var since []event.Time
		for i := range d.Transmits {
			t := &d.Transmits[i]
			if t.Available == nil || *t.Available || t.EmptySince.IsZero() || t.Count < p.Settings.EmptyData.Count || !p.sending(t) {
				continue
			}
			words = append(words, title(t))
			keys = append(keys, messageKey(t))
			since = append(since, t.EmptySince)
		}
		if len(words) == 0 {
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
