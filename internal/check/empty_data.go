package check

import (
	"slices"
	"time"

	"muster/internal/event"
	"muster/pgn"
)

// emptyData: messages that keep coming with every value "not available"; one finding a device.
func emptyData(p *Pass) {
	for _, d := range p.others(speaking) {
		var words []string
		var keys []string
		var since []event.Time
		filled, measured, wait := false, false, time.Duration(0)
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
			measured = measured || measures(t.PGN)
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
		word := ""
		if !measured {
			word = "settings"
		}
		first := earliest(since...)
		p.Find(Finding{
			Case: word, Subject: d.ID, Devices: []string{d.ID}, Network: d.Network, Since: first,
			Values:   Values{"device": label(d), "messages": enumerate(words), "for": p.since(first)},
			Evidence: evidence("messages", keys, "empty_since", first),
		})
	}
}

// measures reports whether a message has a value with a unit, which a sensor gives: others hold texts, names and settings.
func measures(number uint32) bool {
	def := pgn.Lookup(number)
	return def == nil || slices.ContainsFunc(def.Fields, func(f pgn.Field) bool { return f.Unit != "" && f.Role != pgn.RoleReserved })
}
