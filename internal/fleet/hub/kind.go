package hub

import (
	"muster/internal/boat"
	"muster/internal/release"
	"muster/internal/report"
)

// Kind is what devices of one model and version have in common, and all that release sheets depend on.
type Kind struct {
	Manufacturer, Model, Software string

	manufacturerCode    uint32
	hasManufacturerCode bool
	code                uint16
	hasCode             bool
	byHand              bool
}

// Kind is of which kind the device is.
func (d *Device) Kind() Kind {
	k := Kind{Manufacturer: d.Manufacturer, Model: d.Model, Software: d.Software, byHand: d.ByHand}
	if d.ManufacturerCode != nil {
		k.manufacturerCode, k.hasManufacturerCode = *d.ManufacturerCode, true
	}
	if d.Code != nil {
		k.code, k.hasCode = *d.Code, true
	}
	return k
}

// Assess compares devices of the kind with the sheets; the Model is nil when none describes them.
func (k Kind) Assess(sheets *release.Sheets) release.Assessment {
	r := report.Report{Units: []report.Unit{{ID: "x", Aboard: true}}}
	if u := &r.Units[0]; k.byHand {
		r.Manual, u.Manual = []boat.Manual{{ID: "x", Manufacturer: k.Manufacturer, Model: k.Model, Software: k.Software}}, []string{"x"}
	} else {
		d := report.Device{ID: "x", State: boat.Present, Product: &boat.Product{Model: k.Model, Software: k.Software}}
		if k.hasCode {
			d.Product.Code = &k.code
		}
		if k.hasManufacturerCode || k.Manufacturer != "" {
			d.Name = &boat.Name{Manufacturer: boat.Coded{Code: k.manufacturerCode, Name: k.Manufacturer}}
		}
		u.Device, u.Presences = d, []*report.Device{&d}
	}
	if all := sheets.Assess(&r); len(all) > 0 {
		return all[0]
	}
	return release.Assessment{Standing: release.StandingNoSheet}
}
