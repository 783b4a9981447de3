package check

import (
	"fmt"

	"muster/internal/event"
)

// garbledLine: lines of the last full minute that are no sentences at all, as a wrong baud rate or swapped wires give.
func garbledLine(p *Pass) {
	for _, n := range p.networks(event.NMEA0183) {
		if n.Recent.GarbledLines < p.Settings.GarbledLine.PerMinute {
			continue
		}
		remedy := "Check the baud rate first: 4800 for most talkers, 38400 for AIS, as the talker is set. If every line is garbled at the right rate, " +
			"the A and B wires are swapped. "
		summary := fmt.Sprintf("%s on %s within a minute that are no sentences", plural(n.Recent.GarbledLines, "line"), n.ID)
		if n.Line.LikelyBaud != 0 {
			summary += fmt.Sprintf(": read at %d baud, sent at %d by the look of them", n.BitRate, n.Line.LikelyBaud)
			remedy = fmt.Sprintf("The talker most likely sends at %d baud: open the port with ?baud=%d, or without a rate to have it found. ", n.Line.LikelyBaud, n.Line.LikelyBaud) +
				"If that makes no sentences either, the A and B wires are swapped. "
		} else if n.Line.Condition == "noisy" {
			remedy = "Sentences come through, so the baud rate is right: look for a loose or corroded terminal, two talkers wired onto one line, and noise on the cable. "
		} else if n.Line.Condition == "other-protocol" {
			remedy = "The text can be read but is not NMEA 0183: set the output of the device on this port to NMEA 0183. "
		}
		p.Find(Finding{
			Subject: n.ID, Network: n.ID,
			Summary: summary,
			Evidence: evidence("per_minute", n.Recent.GarbledLines, "total", n.Faults.GarbledLines, "lines", n.Frames, "baud", n.BitRate,
				"condition", n.Line.Condition, "likely_baud", n.Line.LikelyBaud),
			Remedy: remedy + cautionWiring,
		})
	}
}
