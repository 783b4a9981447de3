package check

import (
	"fmt"
	"slices"

	"muster/internal/boat"
	"muster/internal/event"
)

// manySources: several devices or talkers send one quantity. That is often wanted; it needs a choice on every head. Backbones are
// looked at each for itself, unless a talker sends the quantity too: it may reach any of them.
func manySources(p *Pass) {
	list := p.others(speaking)
	for _, q := range boat.Quantities() {
		all := p.sendersOf(q, list)
		if len(all) < 2 {
			continue
		}
		if slices.ContainsFunc(all, func(s sender) bool { return s.sentences != nil }) {
			p.many(q, all)
			continue
		}
		for _, n := range p.networks(event.NMEA2000) {
			var here []sender
			for _, s := range all {
				if s.network == n.ID {
					here = append(here, s)
				}
			}
			if len(here) >= 2 {
				p.many(q, here)
			}
		}
	}
}

// sender is a device or talker that sends a quantity.
type sender struct {
	id, network, label string
	pgns               []int
	sentences          []string
}

func (p *Pass) sendersOf(q boat.Quantity, devices []*boat.Device) []sender {
	var all []sender
	for _, d := range devices {
		var pgns []int
		for i := range d.Transmits {
			t := &d.Transmits[i]
			if (q.In(t) || q.Mixed(t) && p.measures(d, q)) && p.sending(t) && (t.Available == nil || *t.Available) {
				pgns = append(pgns, int(t.PGN))
			}
		}
		if pgns != nil {
			all = append(all, sender{id: d.ID, network: d.Network, label: label(d), pgns: pgns})
		}
	}
	for i := range p.Report.Talkers {
		t := &p.Report.Talkers[i]
		var sentences []string
		if list, ok := t.Sends(q); ok {
			for _, s := range list {
				if p.Now.Sub(s.Last) <= recent {
					sentences = append(sentences, s.Formatter)
				}
			}
		}
		if sentences != nil {
			all = append(all, sender{id: t.ID(), network: t.Network, label: talkerLabel(t), sentences: sentences})
		}
	}
	return all
}

// measures reports whether the device gave a value of the quantity of late.
func (p *Pass) measures(d *boat.Device, q boat.Quantity) bool {
	return slices.ContainsFunc(p.Report.Sources, func(s boat.Source) bool {
		return s.ID == d.ID && s.Network == d.Network && slices.Contains(q.Measures, s.Measure) && p.Now.Sub(s.At) <= recent
	})
}

func (p *Pass) many(q boat.Quantity, from []sender) {
	var ids, labels, sentences []string
	var pgns []int
	network, where, subject := from[0].network, " on "+from[0].network, from[0].network+" "+q.Name
	for _, s := range from {
		ids, labels = append(ids, s.id), append(labels, s.label)
		pgns, sentences = append(pgns, s.pgns...), append(sentences, s.sentences...)
		if s.network != network {
			network, where, subject = "", "", q.Name
		}
	}
	slices.Sort(pgns)
	slices.Sort(sentences)
	p.Find(Finding{
		Subject: subject, Devices: p.deviceIDs(ids), Network: network,
		Summary:  fmt.Sprintf("%d sources of %s%s: %s", len(from), q.Name, where, enumerate(labels)),
		Evidence: evidence("quantity", q.Name, "messages", slices.Compact(pgns), "sentences", slices.Compact(sentences)),
		Remedy: "On every head and on the pilot, choose the source by hand instead of automatic, the same one everywhere, and name the second choice. " +
			"Switch off the output of sources that nobody needs.",
	})
}
