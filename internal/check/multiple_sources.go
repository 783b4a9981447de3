package check

import (
	"slices"

	"muster/internal/boat"
	"muster/internal/quantity"
)

// multipleSources: several devices or talkers send one quantity. That is often intended; it needs a choice on every
// display.
func multipleSources(p *Pass) {
	for _, q := range boat.Quantities() {
		from := p.State.Suppliers(q, p.Now)
		rivals := boat.Rivals(from)
		for _, r := range rivals {
			p.many(q, r)
		}
		if len(from) > 0 && len(rivals) == 0 {
			p.Clear("", q.Name)
		}
	}
}

// many reports the rivals of a quantity, of which those that only repeat another are no further source.
func (p *Pass) many(q boat.Quantity, rivals []boat.Supplier) {
	var from []boat.Supplier
	var repeats, copied []string
	for i := range rivals {
		if of := p.copyOf(&q, &rivals[i], rivals); of != nil {
			repeats = append(repeats, supplierLabel(&rivals[i])+" repeats "+supplierLabel(of))
			copied = append(copied, rivals[i].ID)
			continue
		}
		from = append(from, rivals[i])
	}
	word := ""
	switch {
	case len(copied) > 0 && len(from) == 1:
		word = "one"
	case len(copied) > 0:
		word = "copies"
	}
	var ids, sentences []string
	var pgns []int
	network, where, subject := rivals[0].Network, " on "+rivals[0].Network, rivals[0].Network+" "+q.Name
	for _, s := range rivals {
		ids = append(ids, s.ID)
		for _, m := range s.Messages {
			pgns = append(pgns, int(m.PGN))
		}
		for _, m := range s.Sentences {
			sentences = append(sentences, m.Formatter)
		}
		if s.Network != network {
			network, where, subject = "", "", q.Name
		}
	}
	slices.Sort(pgns)
	slices.Sort(sentences)
	proof := evidence("quantity", q.Name, "sources", ids, "copies", copied,
		"messages", slices.Compact(pgns), "sentences", slices.Compact(sentences))
	p.sideBySide(&q, ids, proof)
	p.Find(Finding{
		Case: word, Subject: subject, Devices: p.deviceIDs(ids), Network: network,
		Values: Values{"count": len(from), "quantity": q.Name, "where": where, "copies": enumerate(repeats),
			"sources": enumerateBy(len(from), func(i int) string { return supplierLabel(&from[i]) })},
		Evidence: proof,
	})
}

// sideBySide adds to the evidence how the first two sources of the quantity compare, and the course of both.
func (p *Pass) sideBySide(q *boat.Quantity, ids []string, proof map[string]any) {
	for _, m := range q.Measures {
		var two []*boat.Source
		for _, id := range ids {
			if s := p.source(m, id); s != nil && len(two) < 2 {
				two = append(two, s)
			}
		}
		if len(two) < 2 {
			continue
		}
		if g := quantity.Agree(&two[0].Trace, &two[1].Trace, 0); g.Comparable() {
			scale := m.Info().Scale
			proof["measure"], proof["unit"] = m.String(), m.Info().Unit
			proof["difference"], proof["doubt"] = round(scale*g.Offset), round(scale*g.Doubt())
			proof[SeriesKey] = traces(m, two[0], two[1], 0)
			return
		}
	}
}

func supplierLabel(s *boat.Supplier) string {
	if s.Talker != nil {
		return s.Talker.Label()
	}
	return label(s.Device)
}
