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
		p.Find(Finding{
			Subject: n.ID, Network: n.ID,
			Summary:  fmt.Sprintf("%s on %s within a minute that are no sentences", plural(n.Recent.GarbledLines, "line"), n.ID),
			Evidence: evidence("per_minute", n.Recent.GarbledLines, "total", n.Faults.GarbledLines, "lines", n.Frames, "baud", n.BitRate),
			Remedy: "Check the baud rate first: 4800 for most talkers, 38400 for AIS, as the talker is set. If every line is garbled at the right rate, " +
				"the A and B wires are swapped. " + cautionWiring,
		})
	}
}
