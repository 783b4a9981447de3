package boat

import (
	"slices"

	"muster/internal/event"
)

// Past is what was recorded of a named device or of a talker before the model began. The device takes it up when it
// claims its NAME again, a talker when it sends again, and drops it when it reports that it is another unit.
type Past struct {
	ID        string     `json:"id"` // NAME as 16 hex digits, or that of a talker
	Network   string     `json:"network"`
	FirstSeen event.Time `json:"first_seen,omitzero"`
	Restarts  int        `json:"restarts,omitempty"`
	Software  []Software `json:"software_history,omitempty"`
	Unit      string     `json:"unit,omitempty"` // of a talker: what separates it from others of its letters
	Box       string     `json:"box,omitempty"`  // id of the unit that a device is a presence of
	BoxSince  event.Time `json:"box_since,omitzero"`
}

// Remember gives the model the past of devices and talkers that it has not met yet.
func (b *Boat) Remember(past []Past) {
	b.past = make(map[pastKey]*Past, len(past))
	for i := range past {
		b.past[pastKey{past[i].Network, past[i].ID}] = &past[i]
	}
}

type pastKey struct{ network, id string }

// past is what was known of the device before, nil for nothing.
func (d *device) past() *Past { return d.net.boat.past[pastKey{d.net.info.ID, d.sender.ID}] }

// recall gives a device that has just sent its NAME its past back.
func (d *device) recall() {
	p := d.past()
	if p == nil {
		return
	}
	if p.FirstSeen != 0 && (d.firstSeen == 0 || p.FirstSeen < d.firstSeen) {
		d.firstSeen = p.FirstSeen
	}
	d.restarts += p.Restarts
	now := d.identity.software
	d.identity.software = slices.Clone(p.Software)
	for _, s := range now {
		d.identity.ran(s.Version, s.Since)
	}
}
