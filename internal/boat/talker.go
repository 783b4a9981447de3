package boat

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"muster/internal/event"
	"muster/internal/nmea0183"
)

// maxTexts is how many different texts of one talker are kept.
const maxTexts = 8

// talker is one talker; sentences of one are counted under their address.
type talker struct {
	name      string
	sentences int
	first     event.Time
	last      event.Time
	from      event.Time // since when it has sent without a break
	heardOn   []Span     // before that
	past      *Past      // what was recorded of it before the model began, nil for nothing
	back      bool       // it was off for a while before it was first received
	versions  nmea0183.Versions
	identity  TalkerIdentity
	heartbeat *Heartbeat
	sequence  int // of the last heartbeat, -1 when it gave none
	texts     []Text
	ais       *aisUnit // nil until it sends AIS messages
	source    *source  // nil until it measures something
	software  []Software
	unit      string     // that software is the history of; empty while it reported none
	since     event.Time // when that unit first sent, as recorded before the model began
	queries   int        // for its VER sentence since it last sent one
	queried   event.Time
}

// talkerPause is how long nothing is received of a talker before it counts as silent.
const talkerPause = time.Minute

// heard notes that the talker sent at a moment.
func (t *talker) heard(at event.Time) {
	if t.first == 0 {
		t.first, t.from = at, at
	} else if at.Sub(t.last) > talkerPause {
		t.heardOn = lastOf(append(t.heardOn, Span{t.from, t.last}), maxSpans)
		t.from = at
	}
	t.last = max(t.last, at)
}

// addIdentity takes the sentences in which a talker describes itself.
func (t *talker) addIdentity(formatter string, p *nmea0183.Sentence, at event.Time) {
	switch formatter {
	case "VDM", "VDO":
		t.addAIS(p, at)
	case "VER":
		t.queries = 0
		if v, ok := t.versions.Add(p); ok {
			t.identity = TalkerIdentity(v)
			if unit := t.identity.Unit(); unit != "" && unit != t.unit {
				if t.unit != "" {
					t.software, t.since, t.past = nil, 0, nil // of the unit that was there before
					t.heardOn, t.from = nil, at
				}
				t.unit = unit
			}
			t.software = ran(t.software, v.Software, at)
		}
	case "HBT":
		t.beats(p, at)
	case "TXT":
		if x, ok := nmea0183.ReadText(p); ok {
			t.addText(x, at)
		}
	}
}

// Unit is what separates the talker's equipment from other equipment with the same letters; empty when it reported
// nothing.
func (v *TalkerIdentity) Unit() string {
	if v == nil {
		return ""
	}
	return strings.TrimSpace(v.Model + " " + cmp.Or(v.Serial, v.UniqueID))
}

func (t *talker) beats(p *nmea0183.Sentence, at event.Time) {
	h, ok := nmea0183.ReadHeartbeat(p)
	if !ok {
		return
	}
	if t.heartbeat == nil {
		t.heartbeat, t.sequence = &Heartbeat{}, -1
	}
	b := t.heartbeat
	if h.Sequence >= 0 && t.sequence >= 0 {
		b.Lost += uint64((h.Sequence - t.sequence + 9) % 10)
	}
	t.sequence = h.Sequence
	b.At, b.IntervalSec = at, h.IntervalSec
	b.Normal = nil
	if h.StatusGiven {
		b.Normal = &h.Normal
	}
}

// addText keeps a text. One that is known moves to the end, so that a text sent again and again does not drive out the others.
func (t *talker) addText(x nmea0183.Text, at event.Time) {
	same := func(o Text) bool { return o.ID == x.ID && o.Text == x.Text }
	if i := slices.IndexFunc(t.texts, same); i >= 0 {
		t.texts = slices.Delete(t.texts, i, i+1)
	} else if len(t.texts) == maxTexts {
		t.texts = slices.Delete(t.texts, 0, 1)
	}
	t.texts = append(t.texts, Text{At: at, ID: x.ID, Text: x.Text})
}

// shift moves the times of what was received on the line.
func (l *lineTable) shift(move func(...*event.Time)) {
	for _, s := range l.sentences {
		move(&s.first, &s.last)
		for i := range s.gives {
			move(&s.gives[i].at)
		}
	}
	for _, t := range l.talkers {
		move(&t.first, &t.last, &t.from, &t.queried)
		for i := range t.heardOn {
			move(&t.heardOn[i].From, &t.heardOn[i].Until)
		}
		if t.heartbeat != nil {
			move(&t.heartbeat.At)
		}
		for i := range t.texts {
			move(&t.texts[i].At)
		}
		for i := range t.software {
			move(&t.software[i].Since)
		}
	}
}

func (t *talker) report(network string, now event.Time) Talker {
	r := Talker{Network: network, Talker: t.name, First: t.first, Last: t.last, Since: t.since,
		Texts: slices.Clone(t.texts), Software: slices.Clone(t.software), Earlier: t.past}
	if r.Heard = append(slices.Clone(t.heardOn), Span{t.from, t.last}); t.past != nil {
		r.Heard = everHeard(r.Heard, t.past, t.back)
	}
	if nmea0183.Unanswered(t.queries, t.queried, now) {
		r.Unanswered = fmt.Sprintf("no answer, %d requests", t.queries)
	}
	if t.identity != (TalkerIdentity{}) {
		c := t.identity
		r.Identity = &c
	}
	if t.heartbeat != nil {
		c := *t.heartbeat
		c.Normal = clonePtr(c.Normal)
		r.Heartbeat = &c
	}
	if t.ais != nil {
		r.AIS = t.ais.report()
	}
	return r
}

// FirstSeen is when the talker was first received, in this window or before it.
func (t *Talker) FirstSeen() event.Time {
	if t.Since != 0 && t.Since < t.First {
		return t.Since
	}
	return t.First
}

// ID names the talker within the boat: its network and its letters, as in "ttyUSB0/GP".
func (t *Talker) ID() string { return t.Network + "/" + t.Talker }

// Label is a name of the talker for people: "GP on ttyUSB0", and its model when it reported that.
func (t *Talker) Label() string { return TalkerLabel(t.Network, t.Talker, t.Identity) }

// TalkerLabel is the Label of a talker that reported the identity, or nil when it reported none.
func TalkerLabel(network, letters string, identity *TalkerIdentity) string {
	where := letters + " on " + network
	if identity != nil && identity.Model != "" {
		return identity.Model + " (" + where + ")"
	}
	return where
}

// State is silent when nothing was received of the talker for a minute before now.
func (t *Talker) State(now event.Time) DeviceState {
	if now.Sub(t.Last) > talkerPause {
		return Silent
	}
	return Present
}

// Device shows a talker that reported its identity as a device, for users of software and models. It has no NAME, so
// its manufacturer has no code. A talker without an identity gives false.
func (t *Talker) Device(now event.Time) (Device, bool) {
	name, product, ok := t.Identity.Product()
	return Device{ID: t.ID(), Network: t.Network, State: t.State(now), Role: TalkerRole(t.Talker), LastSeen: t.Last,
		Software: slices.Clone(t.Software), Name: name, Product: product}, ok
}

// Product is the identity in the terms of a device's, false when it has neither a model nor its software.
func (v *TalkerIdentity) Product() (*Name, *Product, bool) {
	if v == nil || v.Model == "" && v.Software == "" {
		return nil, nil, false
	}
	return &Name{Manufacturer: Coded{Name: v.Vendor}},
		&Product{Model: v.Model, ModelVersion: v.Hardware, Serial: v.Serial, Software: v.Software}, true
}

// TalkerRole is what equipment with a talker's letters does aboard (gpsd NMEA page).
func TalkerRole(letters string) Role {
	switch letters {
	case "GP", "GN", "GL", "GA", "GB", "GQ":
		return RolePosition
	case "HC", "HE", "HN", "HF", "TI":
		return RoleHeading
	case "SD", "DF":
		return RoleDepth
	case "WI":
		return RoleWind
	case "AI", "AB", "AD", "AN", "AR", "AS", "AT", "AX", "BS", "SA":
		return RoleAIS
	case "CD", "CR", "CS", "CT", "CV", "CX":
		return RoleRadio
	case "AG", "AP":
		return RoleAutopilot
	case "RA":
		return RoleRadar
	case "ER":
		return RoleEngine
	}
	return RoleOther
}
