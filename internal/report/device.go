package report

import (
	"fmt"

	"muster/internal/boat"
	"muster/internal/event"
)

// Label names the device as a technician would: its model and serial number when known, else its function or manufacturer, else its address.
func (d *Device) Label() string {
	switch {
	case d.Product != nil && d.Product.Model != "" && d.Product.Serial != "":
		return d.Product.Model + " (" + d.Product.Serial + ")"
	case d.Product != nil && d.Product.Model != "":
		return d.Product.Model + d.at()
	case d.Name != nil && d.Name.DeviceFunction.Name != "":
		return d.Name.DeviceFunction.Name + d.at()
	case d.Name != nil && d.Name.Manufacturer.Name != "":
		return d.Name.Manufacturer.Name + " device" + d.at()
	}
	return "device" + d.at()
}

func (d *Device) at() string {
	if d.Address != nil {
		return fmt.Sprintf(" at address %d", *d.Address)
	}
	return " " + d.ID
}

// Manufacturer is the manufacturer's name, or its code when no list names it, or "" when the NAME is unknown.
func (d *Device) Manufacturer() string {
	switch {
	case d.Name == nil:
		return ""
	case d.Name.Manufacturer.Name != "":
		return d.Name.Manufacturer.Name
	}
	return fmt.Sprintf("manufacturer %d", d.Name.Manufacturer.Code)
}

// Version is the software version the device gave, or "".
func (d *Device) Version() string {
	if d.Product == nil {
		return ""
	}
	return d.Product.Software
}

// TalkerByID finds a talker by its id, nil when there is none.
func (r *Report) TalkerByID(id string) *Talker {
	for i := range r.Talkers {
		if t := &r.Talkers[i]; t.ID() == id {
			return t
		}
	}
	return nil
}

// LastRestarts are up to eight, oldest first. Only a running model has them.
func (d *Device) LastRestarts() []event.Time {
	if d.Live == nil {
		return nil
	}
	return d.Live.LastRestarts
}

// Sends reports whether the device sends the quantity with a value, and the messages it sends it in.
func (d *Device) Sends(q boat.Quantity) (messages []*Transmit, ok bool) {
	for i := range d.Transmits {
		if t := &d.Transmits[i]; t.gives(&q) {
			messages = append(messages, t)
		}
	}
	return messages, len(messages) > 0
}

// gives reports whether the message carries the quantity with a value.
func (t *Transmit) gives(q *boat.Quantity) bool {
	return q.In(t.PGN, t.Selector, t.Measures) && (t.Available == nil || *t.Available)
}

// sending reports whether the message still came recently, as far as that is known.
func (t *Transmit) sending(now event.Time) bool { return t.Live == nil || t.Live.Sending(now) }
