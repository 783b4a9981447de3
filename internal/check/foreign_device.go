package check

import (
	"fmt"
	"slices"

	"muster/internal/boat"
	"muster/internal/event"
)

const (
	marine        = 4   // the industry group of NMEA 2000 in a NAME (ISO 11783-1)
	firstReserved = 252 // devices of NMEA 2000 take source addresses up to 251
)

// ofEngines are messages of J1939 that NMEA 2000 does not have, which engines send by the clock: electronic engine controllers 2 and 1,
// active faults, hours, temperature, liquids and pressure, fuel economy, electrical power (published parameter groups of J1939).
var ofEngines = []uint32{61443, 61444, 65226, 65253, 65262, 65263, 65266, 65271}

// foreignDevice: a device on the backbone that is of another network: its NAME is not of the marine industry group, it sends from a
// reserved address, or it sends messages of J1939.
func foreignDevice(p *Pass) {
	for _, n := range p.networks(event.NMEA2000) {
		here := on(p.others(speaking), n.ID)
		found, named := false, false
		for _, d := range here {
			named = named || d.Name != nil
			word, facts := foreign(d)
			if word == "" {
				continue
			}
			found = true
			p.Find(Finding{
				Case: word, Subject: d.ID, Devices: []string{d.ID}, Network: n.ID, Since: d.FirstSeen,
				Values: Values{"device": label(d), "network": n.ID, "group": industry(d)}, Evidence: evidence(facts...),
			})
		}
		switch {
		case found, p.unheard(n):
		case !named && !p.asking(n.ID):
			p.NotJudged(n.ID, n.ID, "no device claimed an address while muster listened", NeedAsking)
		default:
			p.Clear(n.ID, n.ID)
		}
	}
}

// foreign is the case of what shows that a device is of another network, with its evidence; "" when nothing does.
func foreign(d *boat.Device) (word string, facts []any) {
	engine := slices.ContainsFunc(d.Transmits, func(t boat.Transmit) bool { return slices.Contains(ofEngines, t.PGN) })
	switch {
	case d.Address != nil && *d.Address >= firstReserved:
		return "reserved", []any{"address", int(*d.Address), "messages", messages(d)}
	case d.Name != nil && d.Name.IndustryGroup.Code != marine:
		return "group", []any{"name", d.ID, "industry_group", int(d.Name.IndustryGroup.Code), "messages", messages(d)}
	case d.Name == nil && engine:
		return "engine", []any{"messages", messages(d)}
	}
	return "", nil
}

// industry is the industry group of the device's NAME: "0 (Global)", or its number where the list has none.
func industry(d *boat.Device) string {
	if d.Name == nil {
		return ""
	}
	g := d.Name.IndustryGroup
	if g.Name == "" {
		return fmt.Sprint(g.Code)
	}
	return fmt.Sprintf("%d (%s)", g.Code, g.Name)
}
