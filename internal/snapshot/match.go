package snapshot

import (
	"fmt"
	"slices"

	"muster/internal/boat"
	"muster/internal/report"
)

// match pairs the units of two reports: by their ids and those of their presences, by NAME without its instances (which an installer may
// change), by manufacturer and serial number, and last by product, function and place. Each step takes only units that the earlier steps
// left, and only where one unit on each side fits, so that a pair is never a guess.
func match(before, after *report.Report) (pairs []Pair, gone, added []*report.Device) {
	left, right := before.Aboard(), after.Aboard()
	found := map[*report.Unit]*report.Unit{} // later → earlier
	taken := map[*report.Unit]bool{}         // of the earlier ones
	one := func(key func(*report.Device) string) func(*report.Unit) []string {
		return func(u *report.Unit) []string { return []string{key(&u.Device)} }
	}
	for _, keys := range []func(*report.Unit) []string{(*report.Unit).IDs, one(byUnit), one(bySerial), one(byPlace)} {
		l, r := index(left, keys), index(right, keys)
		for _, a := range right {
			for _, k := range keys(a) {
				if bs := l[k]; len(bs) == 1 && len(r[k]) == 1 && found[a] == nil && !taken[bs[0]] {
					found[a], taken[bs[0]] = bs[0], true
				}
			}
		}
		left = slices.DeleteFunc(left, func(u *report.Unit) bool { return taken[u] })
		right = slices.DeleteFunc(right, func(u *report.Unit) bool { return found[u] != nil })
	}
	for _, u := range after.Aboard() {
		if b := found[u]; b != nil {
			pairs = append(pairs, Pair{&b.Device, &u.Device, b, u})
		}
	}
	return pairs, standing(left), standing(right)
}

func standing(units []*report.Unit) (list []*report.Device) {
	for _, u := range units {
		list = append(list, &u.Device)
	}
	return list
}

func index(units []*report.Unit, keys func(*report.Unit) []string) map[string][]*report.Unit {
	m := map[string][]*report.Unit{}
	for _, u := range units {
		for _, k := range keys(u) {
			if k != "" && !slices.Contains(m[k], u) {
				m[k] = append(m[k], u)
			}
		}
	}
	return m
}

func byUnit(d *report.Device) string {
	if d.Name == nil || d.Talker != "" || d.Name.UniqueNumber == 0 {
		return ""
	}
	return fmt.Sprint(d.Name.Manufacturer.Code, d.Name.UniqueNumber, d.Name.DeviceClass.Code, d.Name.DeviceFunction.Code)
}

func bySerial(d *report.Device) string {
	if d.Name == nil || d.Product == nil || boat.TrueSerial(d.Product.Serial) == "" {
		return ""
	}
	return fmt.Sprintf("%d %s", d.Name.Manufacturer.Code, boat.TrueSerial(d.Product.Serial))
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

// replaced reports whether a pair that fits by place is not the same box.
func (p *Pair) replaced() bool {
	b, a := p.Before, p.After
	if b.Product != nil && a.Product != nil {
		if x, y := boat.TrueSerial(b.Product.Serial), boat.TrueSerial(a.Product.Serial); x != "" && y != "" {
			return x != y
		}
	}
	ids := p.earlier.IDs()
	return byUnit(b) != byUnit(a) &&
		!slices.ContainsFunc(p.later.IDs(), func(id string) bool { return slices.Contains(ids, id) })
}

// Pair is one unit in both snapshots, by the devices that represent it.
type Pair struct {
	Before, After *report.Device

	earlier, later *report.Unit
}

// Pairs lists the devices that both snapshots hold, in the order of the later one.
func (c *Comparison) Pairs() []Pair { return c.pairs }
