package check

import (
	"muster/internal/boat"
	"muster/internal/event"
)

// garbledLine: lines of the last minute that are no sentences at all, as a wrong baud rate or swapped wires give.
func garbledLine(p *Pass) {
	for _, n := range p.networks(event.NMEA0183) {
		garbled := p.lately(n, func(f *boat.Faults) uint64 { return f.GarbledLines })
		if garbled < p.Settings.GarbledLine.PerMinute {
			if !p.few(n, "line") {
				p.Clear(n.ID, n.ID)
			}
			continue
		}
		word := ""
		switch {
		case n.Line.LikelyBaud != 0:
			word = "baud"
		case n.Line.Condition == "noisy" || n.Line.Condition == "other-protocol" || n.Line.Condition == "swapped-wires":
			word = n.Line.Condition
		case n.Line.Condition == "wrong-baud":
			word = "unclear"
		}
		p.Find(Finding{
			Case: word, Subject: n.ID, Network: n.ID,
			Values: Values{"count": plural(garbled, "line"), "network": n.ID, "baud": n.BitRate, "likely": n.Line.LikelyBaud},
			Evidence: evidence("per_minute", garbled, "total", n.Faults.GarbledLines, "lines", n.Frames, "baud", n.BitRate,
				"condition", n.Line.Condition, "likely_baud", n.Line.LikelyBaud),
		})
	}
}
