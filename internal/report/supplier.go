package report

import (
	"cmp"
	"slices"

	"muster/internal/boat"
	"muster/internal/event"
)

// Supplier is a unit that sends a quantity on one network, and what it sends it in: see boat.Supplier.
type Supplier struct {
	ID, Network string
	Device      *Device     // nil for a talker; aliases the report
	Messages    []*Transmit // alias the report
	Talker      *Talker     // nil for a device; aliases the report
	Sentences   []Sentence
}

// Competes gives what boat.Rivals go by.
func (s Supplier) Competes() (unit, network string, talker bool) {
	return s.ID, s.Network, s.Talker != nil
}

// Suppliers lists who sends the quantity with a value at a moment: devices, then talkers, in the report's order. muster itself is none
// of them, nor is what has stopped, as far as that is known.
func (r *Report) Suppliers(q boat.Quantity, now event.Time) []Supplier {
	var all []Supplier
	for i := range r.Devices {
		d := &r.Devices[i]
		if d.Own || d.Left || d.State != boat.Present && d.State != boat.Provisional {
			continue
		}
		var messages []*Transmit
		for j := range d.Transmits {
			if t := &d.Transmits[j]; t.gives(&q) && t.sending(now) {
				messages = append(messages, t)
			}
		}
		if messages == nil {
			continue
		}
		id := cmp.Or(d.Unit, d.ID)
		same := slices.IndexFunc(all, func(o Supplier) bool { return o.ID == id && o.Network == d.Network })
		if same < 0 {
			all = append(all, Supplier{ID: id, Network: d.Network, Device: d, Messages: messages})
		} else {
			all[same].Messages = append(all[same].Messages, messages...)
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
		if list == nil {
			continue
		}
		id := cmp.Or(t.Unit, t.ID())
		same := slices.IndexFunc(all, func(o Supplier) bool { return o.ID == id })
		if same < 0 {
			all = append(all, Supplier{ID: id, Network: t.Network, Talker: t, Sentences: list})
		} else {
			all[same].Sentences = append(all[same].Sentences, list...)
		}
	}
	return all
}
