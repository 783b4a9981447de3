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
		if d.Own || d.Renamed || d.State != Present && d.State != Provisional {
			continue
		}
		var messages []*Transmit
		for j := range d.Transmits {
			t := &d.Transmits[j]
			if q.In(t.PGN, t.Selector, t.Measures) && t.Sending(now) && (t.Available == nil || *t.Available) {
				messages = append(messages, t)
			}
		}
		if messages != nil {
			all = append(all, Supplier{ID: d.ID, Network: d.Network, Device: d, Messages: messages})
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

// Competes gives what Rivals go by.
func (s Supplier) Competes() (network string, talker bool) { return s.Network, s.Talker != nil }

// Rivals are the suppliers of one quantity between which a head has to choose. Backbones are looked at each for itself, unless a talker
// supplies it too: a talker may reach any of them.
func Rivals[S interface{ Competes() (string, bool) }](all []S) [][]S {
	byNetwork := map[string][]S{}
	var order []string
	for _, s := range all {
		network, talker := s.Competes()
		if talker && len(all) > 1 {
			return [][]S{all}
		}
		if byNetwork[network] == nil {
			order = append(order, network)
		}
		byNetwork[network] = append(byNetwork[network], s)
	}
	var rivals [][]S
	for _, network := range order {
		if here := byNetwork[network]; len(here) > 1 {
			rivals = append(rivals, here)
		}
	}
	return rivals
}
