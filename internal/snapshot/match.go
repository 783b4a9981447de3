package snapshot

import (
	"fmt"

	"muster/internal/boat"
	"muster/internal/report"
)

// match pairs the devices of two reports: by NAME, by NAME without its instances (which an installer may change),
// by maker and serial number, and last by product, function and place. Each step takes only devices that the earlier steps left,
// and only where one device on each side fits, so that a pair is never a guess.
func match(before, after *report.Report) (pairs []Pair, gone, added []*report.Device) {
	left, right := Aboard(before), Aboard(after)
	found := map[*report.Device]*report.Device{} // later → earlier
	taken := map[*report.Device]bool{}           // of the earlier ones
	for _, key := range []func(*report.Device) string{byID, byUnit, bySerial, byPlace} {
		l, r := index(left, key), index(right, key)
		for k, bs := range l {
			if as := r[k]; len(bs) == 1 && len(as) == 1 {
				found[as[0]], taken[bs[0]] = bs[0], true
			}
		}
		left = rest(left, func(d *report.Device) bool { return taken[d] })
		right = rest(right, func(d *report.Device) bool { return found[d] != nil })
	}
	for _, d := range Aboard(after) {
		if b := found[d]; b != nil {
			pairs = append(pairs, Pair{b, d})
		}
	}
	return pairs, left, right
}

// Aboard lists the devices aboard, muster itself left out, in report order. A NAME that fell silent while its
// unit speaks under another is left out: a device whose instance changes comes back under a new NAME, and the old one lingers in the report for a while.
func Aboard(r *report.Report) []*report.Device {
	present := map[string]bool{}
	for i := range r.Devices {
		if d := &r.Devices[i]; d.State == boat.Present {
			present[byUnit(d)] = true
		}
	}
	var out []*report.Device
	for i := range r.Devices {
		d := &r.Devices[i]
		left := d.State != boat.Present && d.Name != nil && present[byUnit(d)]
		if !d.Own && d.State != boat.Gone && !left {
			out = append(out, d)
		}
	}
	return out
}

func rest(devices []*report.Device, taken func(*report.Device) bool) []*report.Device {
	var out []*report.Device
	for _, d := range devices {
		if !taken(d) {
			out = append(out, d)
		}
	}
	return out
}

func index(devices []*report.Device, key func(*report.Device) string) map[string][]*report.Device {
	m := map[string][]*report.Device{}
	for _, d := range devices {
		if k := key(d); k != "" {
			m[k] = append(m[k], d)
		}
	}
	return m
}

func byID(d *report.Device) string { return d.ID }

func byUnit(d *report.Device) string {
	if d.Name == nil {
		return ""
	}
	return fmt.Sprint(d.Name.Manufacturer.Code, d.Name.UniqueNumber, d.Name.DeviceClass.Code, d.Name.DeviceFunction.Code)
}

func bySerial(d *report.Device) string {
	if d.Name == nil || d.Product == nil || d.Product.Serial == "" {
		return ""
	}
	return fmt.Sprintf("%d %s", d.Name.Manufacturer.Code, d.Product.Serial)
}

func byPlace(d *report.Device) string {
	if d.Name == nil || d.Product == nil || (d.Product.Model == "" && d.Product.Code == nil) {
		return ""
	}
	code := -1
	if d.Product.Code != nil {
		code = int(*d.Product.Code)
	}
	return fmt.Sprintf("%d %d %q %d %d %d %q", d.Name.Manufacturer.Code, code, d.Product.Model, d.Name.DeviceClass.Code,
		d.Name.DeviceFunction.Code, d.Name.DeviceInstance, texts(d))
}

// replaced reports whether a pair that fits by place is not the same unit.
func replaced(b, a *report.Device) bool {
	if b.Product != nil && a.Product != nil && b.Product.Serial != "" && a.Product.Serial != "" {
		return b.Product.Serial != a.Product.Serial
	}
	return byUnit(b) != byUnit(a)
}

// Pair is one device in both snapshots.
type Pair struct {
	Before, After *report.Device
}

// Pairs lists the devices that both snapshots hold, in the order of the later one.
func (c *Comparison) Pairs() []Pair { return c.pairs }
