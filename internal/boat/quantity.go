package boat

import "slices"

// Quantity is something that heads take from one source, with the messages that carry it.
type Quantity struct {
	Name string
	PGNs []uint32
}

// Quantities lists what a boat has one source of, in report order. Messages: the published titles of the message set.
func Quantities() []Quantity {
	return []Quantity{
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
		{"AIS", []uint32{129038, 129039, 129040}},
	}
}

// Sends reports whether the device sends the quantity with a value, and the messages it sends it in.
func (d *Device) Sends(q Quantity) (messages []Transmit, ok bool) {
	for _, t := range d.Transmits {
		if slices.Contains(q.PGNs, t.PGN) && (t.Available == nil || *t.Available) {
			messages = append(messages, t)
		}
	}
	return messages, len(messages) > 0
}
