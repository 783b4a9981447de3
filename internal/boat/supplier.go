package boat

import (
	"slices"
	"time"

	"muster/internal/event"
)

// StillSent is how old the last message of a kind may be to count as being sent.
const StillSent = time.Minute

// Supplier is a device or a talker that sends a quantity, and what it sends it in.
type Supplier struct {
	ID, Network string
	Device      *Device     // nil for a talker; aliases the report
	Messages    []*Transmit // alias the report
	Talker      *Talker     // nil for a device; aliases the report
	Sentences   []Sentence
}

// Suppliers lists who sends the quantity with a value at a moment: devices, then talkers, in the report's order. muster itself is none
// of them, nor is what has stopped.
func (r *Report) Suppliers(q Quantity, now event.Time) []Supplier {
	var all []Supplier
	for i := range r.Devices {
		d := &r.Devices[i]
		if d.Own || d.Renamed || d.State != Present && d.State != Provisional {
			continue
		}
		var messages []*Transmit
		for j := range d.Transmits {
			t := &d.Transmits[j]
			if q.In(t) && t.Sending(now) && (t.Available == nil || *t.Available) {
				messages = append(messages, t)
			}
		}
		if messages != nil {
			all = append(all, Supplier{ID: d.ID, Network: d.Network, Device: d, Messages: messages})
		}
	}
	for i := range r.Talkers {
		t := &r.Talkers[i]
		var list []Sentence
		for _, s := range t.Sentences {
			if slices.Contains(s.Gives, q.Name) {
				list = append(list, s)
			}
		}
		if list != nil {
			all = append(all, Supplier{ID: t.ID(), Network: t.Network, Talker: t, Sentences: list})
		}
	}
	return all
}

// Sending reports whether the message still came of late.
func (t *Transmit) Sending(now event.Time) bool {
	return t.Last.IsZero() || now.Sub(t.Last) <= StillSent
}

// Rivals are the suppliers of one quantity between which a head has to choose. Backbones are looked at each for itself, unless a talker
// supplies it too: a talker may reach any of them.
func Rivals(all []Supplier) [][]Supplier {
	if len(all) < 2 {
		return nil
	}
	if slices.ContainsFunc(all, func(s Supplier) bool { return s.Talker != nil }) {
		return [][]Supplier{all}
	}
	if !slices.ContainsFunc(all, func(s Supplier) bool { return s.Network != all[0].Network }) {
		return [][]Supplier{all}
	}
	byNetwork := map[string][]Supplier{}
	var order []string
	for _, s := range all {
		if byNetwork[s.Network] == nil {
			order = append(order, s.Network)
		}
		byNetwork[s.Network] = append(byNetwork[s.Network], s)
	}
	var rivals [][]Supplier
	for _, network := range order {
		if here := byNetwork[network]; len(here) > 1 {
			rivals = append(rivals, here)
		}
	}
	return rivals
}
