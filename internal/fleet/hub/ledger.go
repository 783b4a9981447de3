package hub

import (
	"cmp"
	"slices"
	"time"

	"muster/internal/boat"
)

// Ran is a software version that a unit ran before the one of today.
type Ran struct {
	Version string    `json:"version"`
	Until   time.Time `json:"until"` // when the hub received the first report of another version
}

// Stay is the time that a unit was on one boat.
type Stay struct {
	Boat    string    `json:"boat"`
	Name    string    `json:"name,omitempty"`
	Since   time.Time `json:"since,omitzero"`
	Until   time.Time `json:"until,omitzero"` // absent while it is aboard
	Earlier []Ran     `json:"earlier,omitempty"`
}

// Unit is the row of one unit in the fleet.
type Unit struct {
	Boat   string  `json:"boat"` // where it is, or was last
	Name   string  `json:"name,omitempty"`
	Device *Device `json:"device"`
	Away   Away    `json:"away,omitempty"`
	Stays  []Stay  `json:"stays"` // on which boats it was, latest first
}

// Away is why a unit counts nowhere; empty for one that counts.
type Away string

// The reasons why a unit is away.
const (
	AwayGone     Away = "gone"     // no longer aboard
	AwayReplaced Away = "replaced" // another unit took its place
	AwayMoved    Away = "moved"    // another boat reports it since
	AwayRevoked  Away = "revoked"  // the access of its boat was revoked
)

// Away is why the unit does not count. Whatever counts units of the fleet, or looks for those that run a version, counts those for which
// it is empty.
func (b *Boat) Away(d *Device) Away {
	switch {
	case !b.Revoked.IsZero():
		return AwayRevoked
	case d.Now != "":
		return AwayMoved
	case d.ReplacedBy != "":
		return AwayReplaced
	case d.State == boat.Gone:
		return AwayGone
	}
	return ""
}

// Bounds of the ledger of one boat; the latest are kept.
const (
	maxLeft    = 256
	maxEarlier = 16
)

// box is what one unit has in common with itself on every boat; the zero value is that of a unit that cannot be told from others.
type box struct {
	manufacturer  string
	model, serial string
	code          uint16
}

func (d *Device) box() box {
	serial := boat.TrueSerial(d.Serial)
	if serial == "" || d.Model == "" || d.ByHand {
		return box{}
	}
	b := box{d.Manufacturer, d.Model, serial, 0}
	if d.Code != nil {
		b.code = *d.Code
	}
	return b
}

// keep carries what is known of the units into a new report of the boat, which the hub received at a moment. Units that are no longer in
// it, and those that another has replaced, are kept as left.
func (r *record) keep(now, replaced []Device, at time.Time) {
	boxes, ids := map[box]*Device{}, map[string]*Device{}
	for _, list := range [][]Device{r.Left, r.Devices} {
		for i := range list {
			d := &list[i]
			ids[d.Network+"/"+d.ID] = d
			if b := d.box(); b != (box{}) {
				boxes[b] = d
			}
		}
	}
	carried := map[*Device]bool{}
	carry := func(d *Device) {
		b := d.box()
		o := boxes[b]
		if b == (box{}) || o == nil {
			o = ids[d.Network+"/"+d.ID]
			if o != nil && o.box() != (box{}) && o.box() != b {
				o = nil // another box sends under its NAME now
			}
		}
		d.Since = at
		if o != nil && !carried[o] {
			carried[o] = true
			d.carry(o, at)
		}
		if d.Until.IsZero() && (d.State == boat.Gone || d.ReplacedBy != "") {
			d.Until = cmp.Or(r.ReportAt, at)
		}
	}
	for i := range now {
		carry(&now[i])
	}
	for i := range replaced {
		carry(&replaced[i])
	}
	left := replaced
	for _, list := range [][]Device{r.Devices, r.Left} {
		for i := range list {
			if d := &list[i]; !carried[d] && !d.ByHand {
				left = append(left, d.leave(cmp.Or(r.ReportAt, at)))
			}
		}
	}
	slices.SortStableFunc(left, func(a, b Device) int { return b.Until.Compare(a.Until) })
	r.Devices, r.Left, r.ReportAt = now, left[:min(len(left), maxLeft)], at
}

// carry takes up what was known of the unit.
func (d *Device) carry(o *Device, at time.Time) {
	d.Since, d.Earlier = cmp.Or(o.Since, at), o.Earlier
	if d.State == boat.Gone || d.ReplacedBy != "" {
		d.Until = o.Until
	}
	if o.Software != d.Software && o.Software != "" && d.Software != "" {
		d.Earlier = append(slices.Clone(o.Earlier), Ran{o.Software, at})
		d.Earlier = d.Earlier[max(0, len(d.Earlier)-maxEarlier):]
	}
}

// leave is the unit after it left the boat.
func (d Device) leave(at time.Time) Device {
	d.Until = cmp.Or(d.Until, at)
	if d.ReplacedBy == "" {
		d.State = boat.Gone
	}
	return d
}

// forget drops what is known of units besides the latest report, for a boat of which there is too much.
func (r *record) forget() {
	r.Left, r.Devices = nil, slices.Clone(r.Devices)
	for i := range r.Devices {
		r.Devices[i].Earlier = nil
	}
}

// here reports whether the unit is aboard by what its own boat reported last.
func (d *Device) here() bool { return d.State != boat.Gone && d.ReplacedBy == "" }

// stay is a unit in the record of one boat.
type stay struct {
	boat string
	e    *entry
	d    *Device
}

// ended is when the unit was aboard last.
func (s stay) ended() time.Time {
	if s.d.here() {
		return s.e.record.ReportAt
	}
	return s.d.Until
}

// stays lists where a box was, latest first. Runs under the lock.
func (x *index) stays(b box) []stay {
	var out []stay
	for _, id := range x.boxes[b] {
		e := x.boats[id]
		for _, list := range [][]Device{e.record.Devices, e.record.Left} {
			for i := range list {
				if list[i].box() == b {
					out = append(out, stay{id, e, &list[i]})
				}
			}
		}
	}
	slices.SortStableFunc(out, func(a, b stay) int {
		return cmp.Or(b.d.Since.Compare(a.d.Since), cmp.Compare(a.boat, b.boat))
	})
	return out
}

// now is the boat that reports the unit of a boat since; "" when none does, or when both report it: two boxes have one serial number then.
// Runs under the lock.
func (x *index) now(id string, d *Device) string {
	b := d.box()
	if len(x.boxes[b]) < 2 {
		return ""
	}
	all := x.stays(b)
	i := slices.IndexFunc(all, func(s stay) bool { return s.boat == id && s.d.Since.Equal(d.Since) })
	for _, s := range all[:max(i, 0)] { // those that began later
		if s.boat != id && s.d.here() && s.e.enrolled.Revoked.IsZero() && all[i].ended().Before(s.d.Since) {
			return s.boat
		}
	}
	return ""
}

// superseded reports whether another row shows a unit that is no longer aboard. Runs under the lock.
func (x *index) superseded(id string, d *Device) bool {
	b := d.box()
	if b == (box{}) {
		return false
	}
	own := stay{id, x.boats[id], d}
	return slices.ContainsFunc(x.stays(b), func(s stay) bool {
		if s.boat == id && s.d.Since.Equal(d.Since) {
			return false
		}
		return s.d.here() && s.e.enrolled.Revoked.IsZero() || s.ended().After(own.ended())
	})
}

// hold notes which boxes are on a boat, instead of those of an earlier record, and returns the boats that share one. Runs under the lock.
func (x *index) hold(id string, old, now *record) (shared []string) {
	each := func(r *record, f func(box)) {
		if r == nil {
			return
		}
		for _, list := range [][]Device{r.Devices, r.Left} {
			for i := range list {
				if b := list[i].box(); b != (box{}) {
					f(b)
				}
			}
		}
	}
	has := map[box]bool{}
	each(now, func(b box) {
		if has[b] {
			return
		}
		has[b] = true
		if !slices.Contains(x.boxes[b], id) {
			x.boxes[b] = append(x.boxes[b], id)
		}
		shared = append(shared, x.boxes[b]...)
	})
	each(old, func(b box) {
		if has[b] {
			return
		}
		shared = append(shared, x.boxes[b]...)
		x.boxes[b] = slices.DeleteFunc(slices.Clone(x.boxes[b]), func(other string) bool { return other == id })
		if len(x.boxes[b]) == 0 {
			delete(x.boxes, b)
		}
	})
	slices.Sort(shared)
	return slices.DeleteFunc(slices.Compact(shared), func(other string) bool { return other == id })
}

// place marks the units of a view that another boat reports since. The record stays as it is. Runs under the lock.
func (x *index) place(v *Boat) {
	copied := false
	for i := range v.Devices {
		d := &v.Devices[i]
		if !d.here() {
			continue
		}
		if to := x.now(v.ID, d); to != "" {
			if !copied {
				v.Devices, copied = slices.Clone(v.Devices), true
			}
			v.Devices[i].Now = to
		}
	}
}

// unit is the row of a unit of a boat; nil when the boat has none of that id.
func (x *index) unit(id, unit string) *Unit {
	x.mu.RLock()
	defer x.mu.RUnlock()
	e := x.boats[id]
	if e == nil || e.record == nil {
		return nil
	}
	for _, list := range [][]Device{e.view.Devices, e.view.Left} {
		i := slices.IndexFunc(list, func(d Device) bool { return d.ID == unit })
		if i < 0 {
			continue
		}
		d := &list[i]
		u := &Unit{Boat: id, Name: e.view.Name, Device: d, Away: e.view.Away(d)}
		all := []stay{{id, e, d}}
		if b := d.box(); b != (box{}) {
			all = x.stays(b)
		}
		for _, s := range all {
			v := Stay{Boat: s.boat, Name: s.e.view.Name, Since: s.d.Since, Until: s.d.Until, Earlier: s.d.Earlier}
			if s.d.here() {
				v.Until = time.Time{}
				if x.now(s.boat, s.d) != "" {
					v.Until = s.ended()
				}
			}
			u.Stays = append(u.Stays, v)
		}
		return u
	}
	return nil
}
