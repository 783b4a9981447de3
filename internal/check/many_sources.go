package check

import (
	"fmt"
	"slices"

	"muster/internal/boat"
	"muster/internal/event"
)

// quantity is something that heads take from one source, with the messages that carry it.
type quantity struct {
	name string
	pgns []uint32
}

// quantities are checked in this order. Messages: reference table of the message set.
var quantities = [...]quantity{
	{"position", []uint32{129025, 129029}},
	{"course and speed over ground", []uint32{129026}},
	{"heading", []uint32{127250}},
	{"rate of turn", []uint32{127251}},
	{"attitude", []uint32{127257}},
	{"magnetic variation", []uint32{127258}},
	{"rudder", []uint32{127245}},
	{"depth", []uint32{128267}},
	{"speed through water", []uint32{128259}},
	{"wind", []uint32{130306}},
	{"time", []uint32{126992, 129033}},
}

// manySources: several devices send one quantity. That is often wanted; it needs a choice on every head.
func manySources(p *Pass) {
	list := p.others(speaking)
	for _, n := range p.networks(event.NMEA2000) {
		here := on(list, n.ID)
		for _, q := range quantities {
			var from []*boat.Device
			var pgns []int
			for _, d := range here {
				sends := false
				for i := range d.Transmits {
					t := &d.Transmits[i]
					if slices.Contains(q.pgns, t.PGN) && p.sending(t) && (t.Available == nil || *t.Available) {
						sends = true
						pgns = append(pgns, int(t.PGN))
					}
				}
				if sends {
					from = append(from, d)
				}
			}
			if len(from) < 2 {
				continue
			}
			slices.Sort(pgns)
			p.Find(Finding{
				Subject: n.ID + " " + q.name, Devices: ids(from), Network: n.ID,
				Summary:  fmt.Sprintf("%d sources of %s on %s: %s", len(from), q.name, n.ID, labels(from)),
				Evidence: evidence("quantity", q.name, "messages", slices.Compact(pgns)),
				Remedy: "On every head and on the pilot, choose the source by hand instead of automatic, the same one everywhere, and name the second choice. " +
					"Switch off the output of sources that nobody needs.",
			})
		}
	}
}
