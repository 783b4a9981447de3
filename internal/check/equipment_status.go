package check

import (
	"muster/internal/boat"
)

// equipmentStatus: what units report of their own controllers and of themselves in the heartbeat. The meanings rest on memory of the standard,
// so it is never more than info.
func equipmentStatus(p *Pass) {
	p.lacking = "no unit reports its state in a heartbeat"
	for _, d := range p.others(speaking) {
		b := d.Heartbeat
		if b == nil || b.Equipment == boat.BeatNotAvailable && b.Controllers == [2]boat.BeatState{boat.BeatNotAvailable, boat.BeatNotAvailable} {
			continue
		}
		var words []string
		for i, s := range b.Controllers {
			switch s {
			case boat.BeatPassive:
				words = append(words, "CAN controller "+[...]string{"1", "2"}[i]+" error-passive")
			case boat.BeatBusOff:
				words = append(words, "CAN controller "+[...]string{"1", "2"}[i]+" bus-off")
			}
		}
		if b.Equipment == boat.BeatPassive {
			words = append(words, "equipment faulty")
		}
		if len(words) == 0 {
			p.Clear(d.Network, d.ID)
			continue
		}
		p.Find(Finding{
			Subject: d.ID, Devices: []string{d.ID}, Network: d.Network, Since: b.At,
			Values:   Values{"device": label(d), "states": enumerate(words)},
			Evidence: evidence("states", words, "last", b.At, "meaning", "from memory of the standard"),
		})
	}
}
