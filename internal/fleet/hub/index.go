package hub

import (
	"slices"
	"strings"
	"sync"
	"time"

	"muster/internal/boat"
)

// enrolment is what every hub has of an enrolled boat. The keys are with the hub that enrols.
type enrolment struct {
	Marina   string    `json:"marina,omitempty"`
	Enrolled time.Time `json:"enrolled"`
	Revoked  time.Time `json:"revoked,omitzero"`
	Why      string    `json:"why,omitempty"`
}

// entry is one boat in memory. What it points to is never changed, only replaced.
type entry struct {
	record    *record
	recordRev uint64 // revision of the key that it was read from
	enrolled  enrolment
	enrolRev  uint64
	kinds     []uint32 // of each device, then of each that left: its place among the kinds
	view      *Boat
}

// index is the fleet in memory, kept by what the hub reads and writes.
type index struct {
	mu      sync.RWMutex
	boats   map[string]*entry
	sorted  []*Boat // nil after a change
	kinds   []Kind
	kindOf  map[Kind]uint32
	devices int
	strings map[string]string
	boxes   map[box][]string // boats that have or had each box

	revision uint64 // sum of the latest revisions of both buckets, so that all hubs count alike
	latest   [2]uint64
	changed  chan struct{}
}

func newIndex() *index {
	return &index{boats: map[string]*entry{}, kindOf: map[Kind]uint32{}, strings: map[string]string{},
		boxes: map[box][]string{}, changed: make(chan struct{})}
}

// at returns the entry of a boat, made when it is new. Runs under the lock.
func (x *index) at(id string) *entry {
	e := x.boats[id]
	if e == nil {
		e = &entry{}
		x.boats[id] = e
	}
	return e
}

// record gives the record of a boat and the revision to write against: 0 when there is none.
func (x *index) record(id string) (*record, uint64) {
	x.mu.RLock()
	defer x.mu.RUnlock()
	if e := x.boats[id]; e != nil && e.record != nil {
		return e.record, e.recordRev
	}
	return nil, 0
}

// put takes a record that was read or written, unless a later one is known.
func (x *index) put(id string, r *record, revision uint64) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.see(0, revision)
	e := x.at(id)
	if revision <= e.recordRev {
		return
	}
	old := e.record
	e.record, e.recordRev = r, revision
	x.share(&r.Version)
	x.share((*string)(&r.Clock))
	// What came from the record before has been shown, and stays as it is.
	if old == nil || !same(old.Alerts, r.Alerts) {
		x.shareAlerts(r.Alerts)
	}
	if old == nil || !same(old.Devices, r.Devices) {
		x.shareDevices(r.Devices)
		x.shareDevices(r.Left)
		x.devices += len(r.Devices) + len(r.Left) - len(e.kinds)
		e.kinds = append(x.classify(r.Devices), x.classify(r.Left)...)
		for _, other := range x.hold(id, old, r) {
			x.show(other, x.boats[other])
		}
	}
	x.show(id, e)
	if len(x.kinds) > 2*x.devices+1024 {
		x.reclassify()
	}
}

// enrol takes an enrolment; nil takes one away.
func (x *index) enrol(id string, v *enrolment, revision uint64) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.see(1, revision)
	e := x.at(id)
	if revision <= e.enrolRev {
		return
	}
	e.enrolRev, e.enrolled = revision, enrolment{}
	if v != nil {
		e.enrolled = *v
	}
	if e.record != nil {
		for _, other := range x.hold(id, e.record, e.record) { // a boat that was revoked takes no unit of others
			x.show(other, x.boats[other])
		}
	}
	x.show(id, e)
}

// see notes a revision of a bucket.
func (x *index) see(bucket int, revision uint64) {
	if revision > x.latest[bucket] {
		x.latest[bucket] = revision
		x.revision = x.latest[0] + x.latest[1]
	}
}

// show makes the view of a boat again and wakes who waits for a change.
func (x *index) show(id string, e *entry) {
	v := &Boat{ID: id}
	if e.record != nil {
		v = e.record.view(id)
		x.place(v)
	}
	v.Marina, v.Enrolled, v.Revoked, v.Why = e.enrolled.Marina, e.enrolled.Enrolled, e.enrolled.Revoked, e.enrolled.Why
	v.Revision = x.revision
	e.view, x.sorted = v, nil
	close(x.changed)
	x.changed = make(chan struct{})
}

// maxStrings bounds the texts that are shared. Beyond it sharing begins again.
const maxStrings = 1 << 16

// share returns one copy of a text that many devices have.
func (x *index) share(s *string) {
	if known, ok := x.strings[*s]; ok {
		*s = known
		return
	}
	if len(x.strings) >= maxStrings {
		x.strings = map[string]string{}
	}
	*s = strings.Clone(*s)
	x.strings[*s] = *s
}

// same reports whether two slices are one.
func same[T any](a, b []T) bool { return len(a) == len(b) && (len(a) == 0 || &a[0] == &b[0]) }

func (x *index) shareDevices(list []Device) {
	for i := range list {
		d := &list[i]
		role, _ := boat.ParseRole(d.Role) // a message of an earlier version may have the old name
		d.Role = string(role)
		for _, s := range []*string{&d.Network, &d.Role, &d.Manufacturer, &d.Model, &d.Software, (*string)(&d.State)} {
			x.share(s)
		}
	}
}

func (x *index) shareAlerts(list []Alert) {
	for i := range list {
		a := &list[i]
		for _, s := range []*string{&a.Check, (*string)(&a.Severity), &a.State, &a.Summary, &a.Remedy} {
			x.share(s)
		}
	}
}

func (x *index) classify(devices []Device) []uint32 {
	out := make([]uint32, len(devices))
	for i := range devices {
		k := devices[i].Kind()
		n, known := x.kindOf[k]
		if !known {
			n = uint32(len(x.kinds))
			x.kindOf[k] = n
			x.kinds = append(x.kinds, k)
		}
		out[i] = n
	}
	return out
}

// reclassify forgets kinds that no device is of any longer.
func (x *index) reclassify() {
	x.kinds, x.kindOf = nil, map[Kind]uint32{}
	for _, e := range x.boats {
		if e.record != nil {
			e.kinds = append(x.classify(e.record.Devices), x.classify(e.record.Left)...)
		}
	}
}

// list gives all boats by id.
func (x *index) list() []*Boat {
	x.mu.RLock()
	sorted := x.sorted
	x.mu.RUnlock()
	if sorted != nil {
		return sorted
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.sorted == nil {
		x.sorted = make([]*Boat, 0, len(x.boats))
		for _, e := range x.boats {
			if e.record != nil || !e.enrolled.Enrolled.IsZero() {
				x.sorted = append(x.sorted, e.view)
			}
		}
		slices.SortFunc(x.sorted, func(a, b *Boat) int { return strings.Compare(a.ID, b.ID) })
	}
	return x.sorted
}

func (x *index) boat(id string) *Boat {
	x.mu.RLock()
	defer x.mu.RUnlock()
	if e := x.boats[id]; e != nil && (e.record != nil || !e.enrolled.Enrolled.IsZero()) {
		return e.view
	}
	return nil
}
