package check

import (
	"muster/internal/event"
)

// garbledLine: lines of the last full minute that are no sentences at all, as a wrong baud rate or swapped wires give.
func garbledLine(p *Pass) {
	for _, n := range p.networks(event.NMEA0183) {
		if n.Recent.GarbledLines < p.Settings.GarbledLine.PerMinute {
			continue
		}
		word := ""
		switch {
		case n.Line.LikelyBaud != 0:
			word = "baud"
		case n.Line.Condition == "noisy" || n.Line.Condition == "other-protocol":
			word = n.Line.Condition
		}
		p.Find(Finding{
			Case: word, Subject: n.ID, Network: n.ID,
			Values: Values{"count": plural(n.Recent.GarbledLines, "line"), "network": n.ID, "baud": n.BitRate, "likely": n.Line.LikelyBaud},
			Evidence: evidence("per_minute", n.Recent.GarbledLines, "total", n.Faults.GarbledLines, "lines", n.Frames, "baud", n.BitRate,
				"condition", n.Line.Condition, "likely_baud", n.Line.LikelyBaud),
		})
	}
}
