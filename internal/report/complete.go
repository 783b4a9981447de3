package report

import (
	"cmp"
	"slices"
	"strings"

	"muster/internal/boat"
)

// Complete completes a report that was read, whatever its version, so that it holds in memory what one of this
// version holds. A report of version 1 does not give which NAMEs are one box: that is found from it as the model
// finds it.
func (r *Report) Complete() {
	for i := range r.Manual {
		m := &r.Manual[i]
		m.Manufacturer, m.Maker = cmp.Or(m.Manufacturer, m.Maker), ""
	}
	if r.Units == nil {
		if r.Devices == nil {
			r.Devices = r.Old
		}
		r.Old, r.Schema = nil, V2
		r.findUnits()
		return
	}
	r.Devices = nil
	for i := range r.Units {
		u := &r.Units[i]
		u.Presences = slices.DeleteFunc(u.Presences, func(d *Device) bool { return d == nil })
		for _, d := range u.Presences {
			r.Devices = append(r.Devices, *d)
		}
	}
	slices.SortStableFunc(r.Devices, func(a, b Device) int {
		return cmp.Or(strings.Compare(a.Network, b.Network), compareIDs(a.ID, b.ID))
	})
	at := make(map[[2]string]*Device, len(r.Devices))
	for i := range r.Devices {
		at[[2]string{r.Devices[i].Network, r.Devices[i].ID}] = &r.Devices[i]
	}
	for i := range r.Units {
		u := &r.Units[i]
		for j, d := range u.Presences {
			u.Presences[j] = at[[2]string{d.Network, d.ID}]
			u.Presences[j].Unit = u.ID
		}
		for _, id := range u.Talkers {
			if t := r.TalkerByID(id); t != nil {
				t.Unit = u.ID
			}
		}
		u.Device = read(r.standsFor(u))
		u.Device.State, u.Device.Role, u.Device.Talker = u.State, u.Role, u.letters()
	}
}

// read is a device of a report that was read: no model holds more of it.
func read(m boat.Device) Device {
	d := device(&m)
	d.Live = nil
	for i := range d.Transmits {
		d.Transmits[i].Live = nil
	}
	return d
}

// compareIDs puts NAMEs before the ids of devices without one, which name network and address.
func compareIDs(a, b string) int {
	bare := func(id string) int { return strings.Count(id, "/") }
	return cmp.Or(bare(a)-bare(b), cmp.Compare(len(a), len(b)), strings.Compare(a, b))
}

// standsFor is the device that represents a unit whose presences are known.
func (r *Report) standsFor(u *Unit) boat.Device {
	e := boat.Evidence{Now: r.TakenAt}
	for _, d := range u.Presences {
		e.Devices = append(e.Devices, d.model(r.Window))
	}
	for _, id := range u.Talkers {
		if t := r.TalkerByID(id); t != nil {
			e.Talkers = append(e.Talkers, t.model())
		}
	}
	for i := range r.Manual {
		if slices.Contains(u.Manual, r.Manual[i].ID) {
			e.Manual = append(e.Manual, r.Manual[i])
		}
	}
	return e.StandsFor(u.ID, u.Life)
}

// findUnits finds out which devices, talkers and entries by hand are one unit.
func (r *Report) findUnits() {
	e := boat.Evidence{Manual: r.Manual, Now: r.TakenAt}
	for i := range r.Devices {
		e.Devices = append(e.Devices, r.Devices[i].model(r.Window))
	}
	for i := range r.Talkers {
		e.Talkers = append(e.Talkers, r.Talkers[i].model())
	}
	units := e.Units()
	for i := range e.Devices {
		d := &r.Devices[i]
		d.Unit, d.Left, d.State = e.Devices[i].Unit, e.Devices[i].Left, e.Devices[i].State
	}
	for i := range e.Talkers {
		r.Talkers[i].Unit = e.Talkers[i].Unit
	}
	r.takeUnits(units, read)
}

// model is the device as the model has it, as far as the report holds it.
func (d *Device) model(w boat.Window) boat.Device {
	m := boat.Device{ID: d.ID, Network: d.Network, Known: d.LastKnown,
		Address: d.Address, Addresses: d.Addresses, State: d.State, Role: d.Role, Own: d.Own,
		Name: d.Name, Product: d.Product, Installation: d.Installation, Receives: d.Receives, Declares: d.Declares, FirstSeen: d.FirstSeen,
		LastSeen: d.LastSeen, Restarts: d.Restarts, Software: d.Software, Unanswered: d.Unanswered, Left: d.Left}
	if m.LastSeen >= w.From {
		m.Heard = []boat.Span{{From: max(d.FirstSeen, w.From), Until: d.LastSeen}}
	}
	for i := range d.Transmits {
		t := &d.Transmits[i]
		m.Transmits = append(m.Transmits, boat.Transmit{PGN: t.PGN, Title: t.Title, Instance: t.Instance, Selector: t.Selector, Count: t.Count,
			Interval: t.Interval, Nominal: t.Nominal, Available: t.Available, Measures: t.Measures, Volts: t.Volts, VoltsAt: t.VoltsAt})
	}
	return m
}

// model is the talker as the model has it, as far as the report holds it.
func (t *Talker) model() boat.Talker {
	m := boat.Talker{Network: t.Network, Talker: t.Talker, Identity: t.Identity, Software: t.Software, Last: t.Last()}
	for i := range t.Sentences {
		m.Sentences = append(m.Sentences, boat.Sentence{Formatter: t.Sentences[i].Formatter})
	}
	return m
}

// Version1 is the report in version 1, for readers that take no other. It shares what it holds with the report.
func (r *Report) Version1() *Report {
	old := *r
	old.Schema, old.Units, old.Decisions, old.Old = V1, nil, nil, slices.Clone(r.Devices)
	if old.Old == nil {
		old.Old = []Device{}
	}
	for i := range old.Old {
		old.Old[i].Left, old.Old[i].LastKnown = false, nil
	}
	old.Manual = slices.Clone(r.Manual)
	for i := range old.Manual {
		m := &old.Manual[i]
		m.Manufacturer, m.Maker = "", m.Manufacturer
	}
	old.Networks = slices.Clone(r.Networks)
	for i := range old.Networks {
		old.Networks[i].Faults.Displaced, old.Networks[i].Faults.LostMessages = 0, 0
	}
	return &old
}

// Known reports whether the report is of a version that this program reads.
func (r *Report) Known() bool { return r.Schema == V1 || r.Schema == V2 }

// Entries is how much a report that was read lists: devices, talkers, entries by hand, decisions and units.
func (r *Report) Entries() int {
	n := len(r.Old) + len(r.Talkers) + len(r.Manual) + len(r.Decisions)
	for i := range r.Units {
		n += max(1, len(r.Units[i].Presences))
	}
	return n
}
