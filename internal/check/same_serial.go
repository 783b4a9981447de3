package check

import (
	"fmt"
	"maps"
	"slices"

	"muster/internal/boat"
	"muster/internal/event"
)

// sameSerial: units of one manufacturer and product that are on a network at once and report one serial number, although they cannot be one
// box: they have one function and different unique numbers. Functions of one box are one unit.
func sameSerial(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		bySerial := map[string][]*boat.Device{}
		for _, d := range on(p.others(speaking), n.ID) {
			if d.Product == nil {
				p.unnamed(d)
				continue
			}
			if d.Name == nil || d.Product.Code == nil || boat.TrueSerial(d.Product.Serial) == "" {
				continue
			}
			key := fmt.Sprintf("%d %d %d %d %s", d.Name.Manufacturer.Code, *d.Product.Code, d.Name.DeviceClass.Code, d.Name.DeviceFunction.Code,
				boat.TrueSerial(d.Product.Serial))
			if !slices.ContainsFunc(bySerial[key], func(o *boat.Device) bool { return oneBox(d, o) }) {
				bySerial[key] = append(bySerial[key], d)
			}
		}
		found := false
		for _, key := range slices.Sorted(maps.Keys(bySerial)) {
			list := bySerial[key]
			if len(list) < 2 {
				continue
			}
			words := make([]string, len(list))
			for i, d := range list {
				words[i] = label(d)
			}
			found = true
			serial := boat.TrueSerial(list[0].Product.Serial)
			p.Find(Finding{
				Subject: n.ID + " " + key, Devices: p.deviceIDs(ids(list)), Network: n.ID,
				Values:   Values{"count": len(list), "serial": serial, "devices": enumerate(words)},
				Evidence: evidence("serial", serial, "names", ids(list)),
			})
		}
		if !found && !p.unheard(n) {
			p.Clear(n.ID, n.ID)
		}
	}
}

// oneBox reports whether two devices of one function may be one box.
func oneBox(a, b *boat.Device) bool {
	return a.Name.UniqueNumber == b.Name.UniqueNumber || a.Unit != "" && a.Unit == b.Unit
}
