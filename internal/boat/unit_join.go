package boat

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"muster/internal/event"
)

// maxShared is how many presences may have one serial or unique number. A number that more of them have separates no
// boxes.
const maxShared = 64

// presence is what the assignment goes by of one device, talker or entry by hand.
type presence struct {
	kind       PresenceKind
	at         int
	id, key    string // its own id, and one that no other presence has
	network    string
	device     *Device
	talker     *Talker
	manual     *Manual
	state      DeviceState
	first      event.Time
	heard      []Span
	serial     string // no filler
	named      string // what its unit was called so far
	namedSince event.Time
	left       bool
	hand       int // the place of its set of decisions, -1 for none
	set        *presence
}

// assignment is one run of the assignment.
type assignment struct {
	*Evidence
	now event.Time
	all []*presence
	not map[[2]string]bool // ids that a person set apart
}

// group is some presences of one box.
type group struct {
	members []*presence
	why     []Reason
}

func newAssignment(e *Evidence) *assignment {
	a := &assignment{Evidence: e, now: e.Now}
	for i := range e.Devices {
		d := &e.Devices[i]
		p := &presence{kind: PresenceDevice, at: i, id: d.ID, key: d.Network + "/" + d.ID, network: d.Network, device: d, state: d.State,
			first: d.FirstSeen, heard: d.EverHeard, named: d.ID, namedSince: d.FirstSeen}
		if p.heard == nil {
			p.heard = d.Heard
		}
		if d.Unit != "" {
			p.named, p.namedSince = d.Unit, d.UnitSince
		}
		a.all = append(a.all, p)
	}
	for i := range e.Talkers {
		t := &e.Talkers[i]
		p := &presence{kind: PresenceTalker, at: i, id: t.ID(), key: t.ID(), network: t.Network, talker: t, state: t.State(e.Now),
			first: t.FirstSeen(), heard: t.Heard, named: t.ID(), namedSince: t.FirstSeen()}
		if t.Last != 0 && e.Now.Sub(t.Last) > e.GoneAfter {
			p.state = Gone
		}
		a.all = append(a.all, p)
	}
	for i := range e.Manual {
		m := &e.Manual[i]
		a.all = append(a.all, &presence{kind: PresenceManual, at: i, id: m.ID, key: "/" + m.ID, manual: m, named: m.ID, namedSince: m.At})
	}
	slices.SortStableFunc(a.all, func(x, y *presence) int { return cmp.Compare(x.key, y.key) })
	for _, p := range a.all {
		p.hand, p.serial = -1, TrueSerial(p.rawSerial())
	}
	a.decide()
	return a
}

// product is what the presence reports of its product, nil for nothing.
func (p *presence) product() *Product {
	switch {
	case p.device != nil:
		return p.device.Product
	case p.talker != nil:
		_, product, _ := p.talker.Identity.Product()
		return product
	}
	return &Product{Model: p.manual.Model, Serial: p.manual.Serial, Software: p.manual.Software}
}

func (p *presence) rawSerial() string {
	if p.talker != nil && p.talker.lastIdentity() != nil {
		return cmp.Or(p.talker.lastIdentity().Serial, p.talker.lastIdentity().UniqueID)
	}
	product := p.product()
	if p.device != nil {
		product = p.device.lastProduct()
	}
	if product != nil {
		return product.Serial
	}
	return ""
}

// asDevice shows the presence as a device.
func (p *presence) asDevice(now event.Time) Device {
	switch {
	case p.device != nil:
		return *p.device
	case p.talker != nil:
		d, told := p.talker.Device(now)
		d.State, d.FirstSeen = p.state, p.first
		if name, product, ok := p.talker.lastIdentity().Product(); ok && !told {
			d.Name, d.Known = name, &LastKnown{product, p.talker.Earlier.end()}
		}
		return d
	}
	return Device{ID: p.id, Role: p.manual.Role, Name: &Name{Manufacturer: Coded{Name: p.manual.Manufacturer}},
		Product: p.product()}
}

// TrueSerial is a serial number without spaces around it, "" when it holds nothing but the filler of an empty field.
func TrueSerial(s string) string {
	if strings.Trim(s, " 0@-._?*#xX\u00ff\ufffd") == "" {
		return ""
	}
	return strings.TrimSpace(s)
}

// bySerial and byUnique are what presences of one box share, "" when they share nothing.
func (p *presence) bySerial() string {
	d := p.device
	if d == nil || d.Name == nil || p.serial == "" {
		return ""
	}
	product := d.lastProduct()
	if product.Code == nil {
		return ""
	}
	return fmt.Sprintf("%d %d %s", d.Name.Manufacturer.Code, *product.Code, p.serial)
}

func (p *presence) byUnique() string {
	d := p.device
	if d == nil || d.Name == nil || d.Name.UniqueNumber == 0 || d.Name.UniqueNumber == 1<<21-1 {
		return ""
	}
	return fmt.Sprintf("%d %d", d.Name.Manufacturer.Code, d.Name.UniqueNumber)
}

// decide takes up what was decided by hand: sets of presences that are one, and pairs that are not.
func (a *assignment) decide() {
	a.not = map[[2]string]bool{}
	find := map[string][]*presence{}
	for _, p := range a.all {
		find[p.id] = append(find[p.id], p)
		if p.named != p.id {
			find[p.named] = append(find[p.named], p)
		}
	}
	for i, d := range a.Decisions {
		if !d.Same {
			a.not[[2]string{d.A, d.B}], a.not[[2]string{d.B, d.A}] = true, true
			continue
		}
		if len(find[d.A]) == 0 || len(find[d.B]) == 0 {
			continue
		}
		for _, p := range append(slices.Clone(find[d.A]), find[d.B]...) {
			if old := p.hand; old >= 0 && old != i {
				for _, q := range a.all {
					if q.hand == old {
						q.hand = i
					}
				}
			}
			p.hand = i
		}
	}
}

// parted reports whether a person set the two apart.
func (a *assignment) parted(p, q *presence) bool {
	return a.not[[2]string{p.id, q.id}] || a.not[[2]string{p.named, q.id}] || a.not[[2]string{p.id, q.named}] ||
		p.named != q.named && a.not[[2]string{p.named, q.named}]
}

// cannot reports whether two presences cannot be of one box: a person decided so; they have different serial numbers;
// or they were on one network at once with one function, and neither share their unique number nor, if they do, their
// serial number.
func (a *assignment) cannot(p, q *presence) bool {
	if p.hand >= 0 && p.hand == q.hand {
		return false
	}
	if a.parted(p, q) || p.serial != "" && q.serial != "" && p.serial != q.serial {
		return true
	}
	return p.device != nil && q.device != nil && p.network == q.network && sameFunction(p.device, q.device) && together(p.heard, q.heard) &&
		!(p.device.Name.UniqueNumber == q.device.Name.UniqueNumber && p.serial != "" && p.serial == q.serial)
}

func sameFunction(a, b *Device) bool {
	return a.Name != nil && b.Name != nil && a.Name.DeviceClass.Code == b.Name.DeviceClass.Code &&
		a.Name.DeviceFunction.Code == b.Name.DeviceFunction.Code
}

// overlap is how long two presences are on the network together before they count as two: what one box sends under its old NAME and under
// its new one may come mixed for a moment.
const overlap = time.Second

// together reports whether two presences sent at the same time.
func together(a, b []Span) bool {
	for _, x := range a {
		for _, y := range b {
			if min(x.Until, y.Until).Sub(max(x.From, y.From)) > overlap {
				return true
			}
		}
	}
	return false
}

// groups are the presences of each box. Every presence is in one.
func (a *assignment) groups() []group {
	classes := map[Reason]map[string][]*presence{BySerial: {}, ByUnique: {}}
	for _, p := range a.all {
		if k := p.bySerial(); k != "" {
			classes[BySerial][k] = append(classes[BySerial][k], p)
		}
		if k := p.byUnique(); k != "" {
			classes[ByUnique][k] = append(classes[ByUnique][k], p)
		}
	}
	for _, class := range classes {
		for k, members := range class {
			if len(members) > maxShared || a.contradict(members) {
				delete(class, k)
			}
		}
	}
	var groups []group
	for _, members := range a.divide(a.all, classes, []Reason{ByHand, BySerial, ByUnique}) {
		groups = append(groups, group{members: members})
	}
	groups = a.joinTalkers(groups)
	for i := range groups {
		groups[i].why = a.why(groups[i].members, classes)
	}
	return groups
}

// contradict reports whether two of the presences cannot be of one box.
func (a *assignment) contradict(members []*presence) bool {
	for i, p := range members {
		for _, q := range members[:i] {
			if a.cannot(p, q) {
				return true
			}
		}
	}
	return false
}

// divide joins presences by the reasons. Where that brings together what cannot be one, the weakest reason does not count.
func (a *assignment) divide(members []*presence, classes map[Reason]map[string][]*presence, reasons []Reason) (sets [][]*presence) {
	for _, p := range members {
		p.set = p
	}
	first := map[string]*presence{}
	for _, p := range members {
		for _, r := range reasons {
			k := a.classOf(p, r, classes)
			if k == "" {
				continue
			}
			k = string(r) + k
			if o := first[k]; o != nil {
				p.root().set = o.root()
			} else {
				first[k] = p
			}
		}
	}
	byRoot := map[*presence][]*presence{}
	var order []*presence
	for _, p := range members {
		root := p.root()
		if byRoot[root] == nil {
			order = append(order, root)
		}
		byRoot[root] = append(byRoot[root], p)
	}
	for _, root := range order {
		set := byRoot[root]
		if n := len(reasons); n > 1 && (len(set) > maxShared || a.contradict(set)) {
			sets = append(sets, a.divide(set, classes, reasons[:n-1])...)
		} else {
			sets = append(sets, set)
		}
	}
	return sets
}

// classOf is what the presence is joined with others by for the reason, "" for nothing.
func (a *assignment) classOf(p *presence, r Reason, classes map[Reason]map[string][]*presence) (k string) {
	switch r {
	case ByHand:
		if p.hand >= 0 {
			return fmt.Sprint(p.hand)
		}
		return ""
	case BySerial:
		k = p.bySerial()
	case ByUnique:
		k = p.byUnique()
	}
	if len(classes[r][k]) < 2 {
		return ""
	}
	return k
}

func (p *presence) root() *presence {
	for p.set != p {
		p.set = p.set.set
		p = p.set
	}
	return p
}

// why lists what joins the members, strongest first.
func (a *assignment) why(members []*presence, classes map[Reason]map[string][]*presence) (list []Reason) {
	if len(members) < 2 {
		return nil
	}
	for _, r := range []Reason{ByHand, BySerial, ByUnique} {
		seen := map[string]bool{}
		for _, p := range members {
			k := a.classOf(p, r, classes)
			if k != "" && seen[k] && !slices.Contains(list, r) {
				list = append(list, r)
			}
			seen[k] = true
		}
	}
	talkers := 0
	for _, p := range members {
		if p.kind == PresenceDevice {
			continue
		}
		same := func(q *presence) bool { return q != p && fits(p, q, nil) }
		if talkers++; !slices.Contains(list, BySerial) && slices.ContainsFunc(members, same) {
			list = append(list, BySerial)
		}
	}
	if talkers > 1 && gnssShared(members) {
		list = append(list, ByTalkers)
	}
	return list
}
