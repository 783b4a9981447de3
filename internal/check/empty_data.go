package check

import (
	"fmt"

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
			Summary:  fmt.Sprintf("%s sends %s without a value%s", label(d), enumerate(words), p.since(first)),
			Evidence: evidence("messages", keys, "empty_since", first),
			Remedy: "The device works but its sensor gives nothing: look at the transducer, its plug and cable. " +
				"Expected on land for depth and speed, indoors for position, and for inputs that are switched on in the device but not connected: switch those off.",
		})
	}
}
