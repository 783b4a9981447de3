package boat

import (
	"muster/internal/event"
	"muster/internal/nmea0183"
)

// maxTargets is how many vessels of others are counted apart for one AIS unit; a crowded port has some hundred in
// range.
const maxTargets = 1000

// CountedTargets is how many targets were received. Beyond the number that is counted apart, the text shows so.
func (a *AIS) CountedTargets() string {
	switch {
	case a.Targets == 0:
		return "no AIS targets"
	case a.Targets >= maxTargets:
		return Counted(maxTargets, "AIS target", "AIS targets") + " or more (the count ends there)"
	}
	return Counted(a.Targets, "AIS target", "AIS targets")
}

// aisUnit is the content of a talker's AIS sentences.
type aisUnit struct {
	joiner   nmea0183.Joiner
	message  nmea0183.AIS
	messages [64]uint64 // whole messages of others by type, which is a number of six bits
	targets  map[uint32]struct{}
	own      AISVessel
	ownKnown bool
}

// addAIS takes a VDM or VDO sentence.
func (t *talker) addAIS(p *nmea0183.Sentence, at event.Time) {
	if t.ais == nil {
		t.ais = &aisUnit{targets: make(map[uint32]struct{}, maxTargets)}
	}
	u := t.ais
	m := &u.message
	if done, err := u.joiner.Add(p, at, m); err != nil || !done {
		return
	}
	if m.Own {
		u.addOwn(m)
		return
	}
	u.messages[m.Type]++
	if len(u.targets) < maxTargets {
		u.targets[m.MMSI] = struct{}{}
	}
}

// addOwn takes a message of the unit itself. Static data of another MMSI is forgotten. A text is made again only when it differs.
func (u *aisUnit) addOwn(m *nmea0183.AIS) {
	v := &u.own
	if !u.ownKnown || v.MMSI != m.MMSI {
		*v, u.ownKnown = AISVessel{MMSI: m.MMSI}, true
	}
	if m.Type != 5 && m.Type != 24 {
		return
	}
	v.Static = true
	set := func(text *string, to *nmea0183.SixBitText) {
		if to[0] != 0 && !to.Is(*text) {
			*text = to.String()
		}
	}
	set(&v.Name, &m.Name)
	set(&v.CallSign, &m.CallSign)
	if m.ShipType != 0 {
		v.ShipType = m.ShipType
	}
}

func (u *aisUnit) report() *AIS {
	r := &AIS{Targets: len(u.targets), Lost: u.joiner.Lost}
	for i, n := range u.messages {
		if n > 0 {
			r.Messages = append(r.Messages, AISCount{Type: uint8(i), Count: n})
		}
	}
	if u.ownKnown {
		v := u.own
		r.Own = &v
	}
	return r
}
