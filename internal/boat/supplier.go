package boat

import (
	"cmp"
	"slices"
	"time"

	"muster/internal/event"
)

// StillSent is how old the last message of a kind may be to count as being sent.
const StillSent = time.Minute

// Supplier is a unit that sends a quantity on one network, and what it sends it in. What a unit sends on a line besides is with what it
// sends on a backbone.
type Supplier struct {
	ID, Network string      // of the unit; of its device or talker
	Device      *Device     // nil for a talker; aliases the state
	Messages    []*Transmit // alias the state
	Talker      *Talker     // nil for a device; aliases the state
	Sentences   []Sentence
}

// Suppliers lists who sends the quantity with a value at a moment: devices, then talkers, in the state's order. muster itself is none
// of them, nor is what has stopped.
func (s *State) Suppliers(q Quantity, now event.Time) []Supplier {
	var all []Supplier
	for i := range s.Devices {
		d := &s.Devices[i]
		if d.Own || d.Left || d.State != Present && d.State != Provisional {
			continue
		}
		var messages []*Transmit
		for j := range d.Transmits {
			t := &d.Transmits[j]
			if q.In(t.PGN, t.Selector, t.Measures) && t.Sending(now) && (t.Available == nil || *t.Available) {
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
	for i := range s.Talkers {
		t := &s.Talkers[i]
		var list []Sentence
		for _, x := range t.Sentences {
			if slices.Contains(x.Gives, q.Name) {
				list = append(list, x)
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

// Sending reports whether the message still came recently.
func (t *Transmit) Sending(now event.Time) bool {
	return t.Last.IsZero() || now.Sub(t.Last) <= StillSent
}

// Competes gives what Rivals go by.
func (s Supplier) Competes() (unit, network string, talker bool) {
	return s.ID, s.Network, s.Talker != nil
}

// Rivals are the suppliers of one quantity between which a display has to choose. Backbones are looked at each for itself, unless a
// talker supplies it too: a talker may reach any of them. One unit is no rival of itself.
func Rivals[S interface{ Competes() (string, string, bool) }](all []S) [][]S {
	byNetwork := map[string][]S{}
	var order []string
	for _, s := range all {
		_, network, talker := s.Competes()
		if talker {
			byNetwork, order = map[string][]S{"": all}, []string{""}
			break
		}
		if byNetwork[network] == nil {
			order = append(order, network)
		}
		byNetwork[network] = append(byNetwork[network], s)
	}
	var rivals [][]S
	for _, network := range order {
		here := byNetwork[network]
		first, _, _ := here[0].Competes()
		if slices.ContainsFunc(here, func(s S) bool { unit, _, _ := s.Competes(); return unit != first }) {
			rivals = append(rivals, here)
		}
	}
	return rivals
}
