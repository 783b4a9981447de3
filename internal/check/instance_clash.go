package check

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/pgn"
)

// family is a set of messages that share one numbering of instances.
type family struct {
	name     string
	pgns     []uint32 // sorted
	selector bool     // an instance is one of a kind (fuel or water, sea or cabin): only both are unique
}

// families are the messages in which the data instance separates one thing aboard from another. Titles and the place
// of the instance: reference table of the message set. Rudder is left out: autopilots repeat it by design, see
// multiple-sources.
var families = [...]family{
	{"engine", []uint32{127488, 127489, 127493, 127497}, false},
	{"electric drive", []uint32{127490}, false},
	{"traction battery", []uint32{127491}, false},
	{"AC input", []uint32{127503}, false},
	{"AC output", []uint32{127504}, false},
	{"tank", []uint32{127505}, true},
	{"battery", []uint32{detailedDC, 127508}, false},
	{"DC source", nil, true}, // the same of a type that is no battery: an alternator, a solar controller
	{"charger", []uint32{127507}, false},
	{"inverter", []uint32{127509}, false},
	{"generator start", []uint32{127514}, false},
	{"switch bank", []uint32{127501}, false},
	{"converter", []uint32{127750}, false},
	{"DC connection", []uint32{127751}, false},
	{"thruster", []uint32{128006, 128008}, false},
	{"windlass", []uint32{128776, 128777, 128778}, false},
	{"temperature", []uint32{130312, 130316}, true},
	{"humidity", []uint32{130313}, true},
	{"pressure", []uint32{130314}, true},
}

// maxInstance is the highest instance; the values above it mean that there is none.
const maxInstance = 252

// detailedDC is the message whose DC type defines what its instance is one of; type 0 is a battery.
const detailedDC = 127506

// familyOf is the place of a message's family in the table, -1 when its instance separates nothing.
func familyOf(t *boat.Transmit) int {
	for f := range families {
		if slices.Contains(families[f].pgns, t.PGN) {
			return f
		}
	}
	return -1
}

func instanceClash(p *Pass) {
	list := p.others(speaking)
	for _, n := range p.networks(event.NMEA2000) {
		here := on(list, n.ID)
		found := len(p.said.Findings)
		p.dataClash(n.ID, here)
		p.deviceClash(n.ID, here)
		if len(p.said.Findings) == found && !p.unheard(n) {
			p.Clear(n.ID, n.ID)
		}
	}
}

// use is one device that sends one instance of a family.
type use struct {
	family   int
	instance uint8
	selector int // -1 when the message has none
	device   *boat.Device
	pgns     []int
}

func (u *use) same(o *use) bool {
	return u.family == o.family && u.instance == o.instance && u.selector == o.selector
}

// dataClash finds instances of a family that more than one device sends.
func (p *Pass) dataClash(network string, list []*boat.Device) {
	var uses []use
	for _, d := range list {
		own := len(uses) // this device's begin here
		for i := range d.Transmits {
			t := &d.Transmits[i]
			if t.Instance == nil || *t.Instance > maxInstance || !p.sending(t) {
				continue
			}
			f := familyOf(t)
			if f < 0 || families[f].selector && t.Selector == nil {
				continue
			}
			u := use{family: f, instance: *t.Instance, selector: -1, device: d}
			if kind := dcType(d, t); families[f].name == "battery" && kind != dcBattery {
				u.family, u.selector = f+1, int(kind)
			} else if families[f].selector {
				u.selector = int(*t.Selector)
			}
			at := slices.IndexFunc(uses[own:], func(o use) bool { return o.same(&u) })
			if at < 0 {
				uses = append(uses, u)
				at = len(uses) - 1 - own
			}
			uses[own+at].pgns = append(uses[own+at].pgns, int(t.PGN))
		}
	}
	slices.SortStableFunc(uses, func(a, b use) int {
		return cmp.Or(cmp.Compare(a.family, b.family), cmp.Compare(a.instance, b.instance), cmp.Compare(a.selector, b.selector))
	})
	for len(uses) > 0 {
		n := 1
		for n < len(uses) && uses[n].same(&uses[0]) {
			n++
		}
		if n > 1 {
			p.reportDataClash(network, &families[uses[0].family], uses[:n])
		}
		uses = uses[n:]
	}
}

func (p *Pass) reportDataClash(network string, f *family, clash []use) {
	var devices []*boat.Device
	var pgns []int
	for _, u := range clash {
		devices = append(devices, u.device)
		pgns = append(pgns, u.pgns...)
	}
	slices.Sort(pgns)
	instance := clash[0].instance
	what := fmt.Sprintf("%s instance %d", f.name, instance)
	facts := []any{"family", f.name, "instance", int(instance), "messages", slices.Compact(pgns)}
	if s := clash[0].selector; s >= 0 {
		name := selectorName(selecting(pgns[0]), uint8(s))
		what += " (" + name + ")"
		facts = append(facts, "selector", s, "selector_name", name)
	}
	all := "both"
	if len(devices) > 2 {
		all = "all"
	}
	proof := evidence(facts...)
	if a, b := p.bank(devices[0], instance), p.bank(devices[1], instance); f.name == "battery" && a != nil && b != nil {
		a.apart(b, proof)
	}
	p.Find(Finding{
		Subject: network + " " + what, Devices: ids(devices), Network: network,
		Values:   Values{"devices": labels(devices), "all": all, "what": what},
		Evidence: proof,
	})
}

// selecting is the message that defines the kind of what a message of its family is about.
func selecting(number int) uint32 {
	if number == 127508 {
		return detailedDC
	}
	return uint32(number)
}

// selectorName is the name of the fluid or source that a message's selector gives, or its number when the table has none.
func selectorName(number uint32, code uint8) string {
	if def := pgn.Lookup(number); def != nil {
		for i := range def.Fields {
			if f := &def.Fields[i]; f.Role == pgn.RoleSelector && f.Table != "" {
				for _, c := range pgn.Table(f.Table) {
					if c.Code == int64(code) {
						return strings.ToLower(c.Name)
					}
				}
			}
		}
	}
	return fmt.Sprintf("type %d", code)
}

// deviceClash finds devices of one manufacturer, class and function with the same device and system instance. It is
// mild: displays separate them by NAME, but their settings and labels can land on the wrong one.
func (p *Pass) deviceClash(network string, list []*boat.Device) {
	type key struct {
		manufacturer, class, function uint32
		device, system                uint8
	}
	groups := map[key][]*boat.Device{}
	var order []key
	for _, d := range list {
		if d.Name == nil {
			continue
		}
		k := key{d.Name.Manufacturer.Code, d.Name.DeviceClass.Code, d.Name.DeviceFunction.Code, d.Name.DeviceInstance, d.Name.SystemInstance}
		if groups[k] == nil {
			order = append(order, k)
		}
		groups[k] = append(groups[k], d)
	}
	for _, k := range order {
		group := groups[k]
		if len(group) < 2 {
			continue
		}
		p.Find(Finding{
			Severity: Info,
			Subject:  fmt.Sprintf("%s maker %d class %d function %d instance %d.%d", network, k.manufacturer, k.class, k.function, k.device, k.system),
			Devices:  ids(group), Network: network,
			Case: "device", Values: Values{"devices": labels(group), "instance": k.device, "system": k.system},
			Evidence: evidence("manufacturer", int(k.manufacturer), "device_class", int(k.class), "device_function", int(k.function),
				"device_instance", int(k.device), "system_instance", int(k.system)),
		})
	}
}
