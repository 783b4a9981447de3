package snapshot

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/report"
)

// ComparisonSchema names the version of the comparison's shape.
const ComparisonSchema = "muster.comparison/v1"

// Class is what kind of change it is.
type Class string

// The classes of change.
const (
	SoftwareChanged  Class = "software-changed"
	Replaced         Class = "replaced"
	Gone             Class = "gone"
	Added            Class = "new"
	Moved            Class = "address-moved" // not a fault
	InstanceChanged  Class = "instance-changed"
	TextLost         Class = "installation-text-lost"
	TextChanged      Class = "installation-text-changed"
	SettingsLost     Class = "settings-at-defaults"
	MessageStopped   Class = "message-stopped"
	SourceChanged    Class = "source-changed"
	LoadChanged      Class = "load-changed"
	FindingResolved  Class = "finding-resolved"
	FindingRemaining Class = "finding-remaining"
	FindingNew       Class = "finding-new"
	FindingUnjudged  Class = "finding-not-judged" // not found any more, of a unit that is gone or by a check that could not judge
)

// Change is one difference between two snapshots.
type Change struct {
	Class    Class          `json:"class"`
	Severity check.Severity `json:"severity"`
	Device   string         `json:"device,omitempty"`  // id in the later snapshot, or in the earlier one when it is gone
	Earlier  string         `json:"earlier,omitempty"` // id in the earlier snapshot when it differs
	Role     boat.Role      `json:"role,omitempty"`
	Label    string         `json:"label,omitempty"`
	Before   string         `json:"before,omitempty"`
	After    string         `json:"after,omitempty"`
	Order    string         `json:"order,omitempty"` // of a software change: newer, older or unknown
	Summary  string         `json:"summary"`
}

// Side identifies one of the two snapshots.
type Side struct {
	TakenAt event.Time `json:"taken_at,omitzero"`
	SHA256  string     `json:"sha256"`
	Devices int        `json:"devices"`
}

// Signed tells by whom two snapshots are signed, in words.
type Signed struct {
	Before  string `json:"before"`
	After   string `json:"after"`
	Because string `json:"because,omitempty"` // the reason given for taking them although it is not one trusted signer
}

// Comparison is what changed between two snapshots of one boat.
type Comparison struct {
	Schema    string        `json:"schema"`
	Boat      boat.Identity `json:"boat"`
	Because   string        `json:"belongs_because,omitempty"` // the reason given for taking them as of one boat
	Signed    *Signed       `json:"signed,omitempty"`          // by whom the two are signed; absent where nobody looked
	Before    Side          `json:"before"`
	After     Side          `json:"after"`
	Changes   []Change      `json:"changes"`   // worst first, then in the order of the device list
	Unchanged []string      `json:"unchanged"` // ids of devices with no change but a move of address

	pairs  []Pair
	paired map[string]Pair // by the earlier ids
	now    map[string]Pair // by the later ids
}

// Options steer a comparison.
type Options struct {
	// AnotherBoat allows snapshots of different boats.
	AnotherBoat bool
	// Because is the reason that a person gives for taking snapshots as of one boat that do not look so.
	Because string
	// Proved means that both snapshots were found to be as they were sealed: see Verify. Their digests are then those
	// of the seals; recalculating them takes far longer than comparing.
	Proved bool
	// Order compares two versions of one device: negative when a is older than b. ok is false when the order is unknown. May be nil.
	Order func(d *report.Device, a, b string) (order int, ok bool)
}

// ErrAnotherBoat means that the two snapshots are of different boats.
var ErrAnotherBoat = errors.New("the snapshots are of different boats")

// Compare lists what changed from before to after. It refuses the same snapshot twice and, unless the options allow
// it, snapshots that are not of one boat or that are given the wrong way round.
func Compare(before, after *Snapshot, o Options) (*Comparison, error) {
	b, a := before.Report, after.Report
	c := &Comparison{Schema: ComparisonSchema, Boat: a.Boat, Because: o.Because, Changes: []Change{},
		Unchanged: []string{}}
	var err error
	if c.Before, err = side(before, o.Proved); err != nil {
		return nil, err
	}
	if c.After, err = side(after, o.Proved); err != nil {
		return nil, err
	}
	if err := belong(before, after, c, o); err != nil {
		return nil, err
	}
	pairs, gone, added := match(b, a)
	c.pairs, c.paired, c.now = pairs, make(map[string]Pair, len(pairs)), make(map[string]Pair, len(pairs))
	for _, p := range pairs {
		for _, id := range p.earlier.IDs() {
			c.paired[id] = p
		}
		for _, id := range p.later.IDs() {
			c.now[id] = p
		}
	}
	for _, p := range pairs {
		n := len(c.Changes)
		c.device(p, o)
		if !slices.ContainsFunc(c.Changes[n:], func(x Change) bool { return x.Class != Moved }) {
			c.Unchanged = append(c.Unchanged, p.After.ID)
		}
	}
	for _, d := range gone {
		c.add(d, Change{Class: Gone, Severity: check.Critical, Before: d.Version(), Summary: d.Label() + " is not there"})
	}
	for _, d := range added {
		c.add(d, Change{Class: Added, Severity: check.Info, After: d.Version(), Summary: d.Label() + " is new"})
	}
	c.sources(before.Sources, after.Sources)
	c.loads(b, a)
	c.findings(b, a)
	slices.SortStableFunc(c.Changes, func(x, y Change) int { return y.Severity.Rank() - x.Severity.Rank() })
	return c, nil
}

// Label is how a sentence names a boat.
func Label(b boat.Identity) string {
	switch {
	case b.Name != "" && b.ID != "":
		return fmt.Sprintf("%q (%s)", b.Name, b.ID)
	case b.ID != "":
		return b.ID
	}
	return "a boat without an id"
}

func side(s *Snapshot, proved bool) (Side, error) {
	out := Side{TakenAt: s.Report.TakenAt, Devices: len(s.Report.Aboard())}
	var err error
	if proved && s.Seal != nil {
		out.SHA256 = s.Seal.SHA256
	} else {
		out.SHA256, err = s.Digest()
	}
	return out, err
}

func (c *Comparison) add(d *report.Device, x Change) {
	if d != nil {
		x.Device, x.Role, x.Label = d.ID, d.Role, d.Label()
	}
	c.Changes = append(c.Changes, x)
}

// device compares one device with its earlier self.
func (c *Comparison) device(p Pair, o Options) {
	b, a := p.Before, p.After
	add := func(x Change) {
		if b.ID != a.ID {
			x.Earlier = b.ID
		}
		c.add(a, x)
	}
	if p.replaced() {
		add(Change{Class: Replaced, Severity: check.Warning, Before: b.Label(), After: a.Label(), Summary: fmt.Sprintf("%s took the place of %s", a.Label(), b.Label())})
	}
	if x, y := b.Version(), a.Version(); x != y && x != "" && y != "" {
		change := Change{Class: SoftwareChanged, Severity: check.Warning, Before: x, After: y, Order: "unknown"}
		if o.Order != nil {
			if order, ok := o.Order(a, x, y); ok && order != 0 {
				change.Order, change.Severity = "newer", check.Info
				if order > 0 {
					change.Order, change.Severity = "older", check.Critical
				}
			}
		}
		change.Summary = fmt.Sprintf("%s: software %s → %s (%s)", a.Label(), x, y, orderWords[change.Order])
		add(change)
	}
	if b.Address != nil && a.Address != nil && *b.Address != *a.Address {
		x, y := fmt.Sprint(*b.Address), fmt.Sprint(*a.Address)
		add(Change{Class: Moved, Severity: check.Info, Before: x, After: y, Summary: fmt.Sprintf("%s moved from address %s to %s; that is no fault", a.Label(), x, y)})
	}
	c.settings(p, add)
	for _, t := range b.Transmits {
		if t.Nominal == 0 || t.Count < 3 { // sent on request or on an event: its absence has no meaning
			continue
		}
		if !slices.ContainsFunc(a.Transmits, func(u report.Transmit) bool { return u.PGN == t.PGN }) &&
			!slices.ContainsFunc(c.Changes, func(x Change) bool {
				return x.Class == MessageStopped && x.Device == a.ID && x.Before == fmt.Sprint(t.PGN)
			}) {
			add(Change{Class: MessageStopped, Severity: check.Warning, Before: fmt.Sprint(t.PGN), Summary: fmt.Sprintf("%s no longer sends %s", a.Label(), message(t))})
		}
	}
}

var orderWords = map[string]string{"newer": "newer", "older": "older than before", "unknown": "which is newer is unknown"}

func message(t report.Transmit) string {
	if t.Title == "" {
		return fmt.Sprintf("message %d", t.PGN)
	}
	return fmt.Sprintf("%s (%d)", t.Title, t.PGN)
}

// settings compares what a return to factory defaults takes away: instances and installation texts.
func (c *Comparison) settings(p Pair, add func(Change)) {
	b, a := p.Before, p.After
	before, after := instances(b), instances(a)
	textsBefore, textsAfter := texts(b), texts(a)
	lost := textsBefore != "" && textsAfter == "" && a.Installation != nil
	changed := before != "" && after != "" && before != after
	atZero := a.Name != nil && a.Name.DeviceInstance == 0 && a.Name.SystemInstance == 0
	if changed && atZero && (lost || textsBefore == "") && !p.replaced() {
		add(Change{Class: SettingsLost, Severity: check.Critical, Before: strings.TrimSuffix(before+"; "+textsBefore, "; "), After: after,
			Summary: a.Label() + " is back at factory defaults; enter its settings again"})
		return
	}
	if changed {
		add(Change{Class: InstanceChanged, Severity: check.Warning, Before: before, After: after, Summary: fmt.Sprintf("%s: %s → %s", a.Label(), before, after)})
	}
	switch {
	case lost:
		add(Change{Class: TextLost, Severity: check.Warning, Before: textsBefore, Summary: fmt.Sprintf("%s lost its installation text %q", a.Label(), textsBefore)})
	case textsBefore != textsAfter && textsAfter != "" && b.Installation != nil:
		add(Change{Class: TextChanged, Severity: check.Info, Before: textsBefore, After: textsAfter, Summary: fmt.Sprintf("%s: installation text %q → %q", a.Label(), textsBefore, textsAfter)})
	}
}

func instances(d *report.Device) string {
	if d.Name == nil {
		return ""
	}
	return fmt.Sprintf("device instance %d, system instance %d", d.Name.DeviceInstance, d.Name.SystemInstance)
}

func texts(d *report.Device) string {
	if d.Installation == nil {
		return ""
	}
	return strings.TrimSuffix(strings.TrimPrefix(d.Installation.Description1+" / "+d.Installation.Description2, " / "), " / ")
}

func (c *Comparison) sources(before, after []Supply) {
	name := func(ids []string) string {
		out := make([]string, len(ids))
		for i, id := range ids {
			out[i] = c.label(id)
		}
		return strings.Join(out, ", ")
	}
	for _, a := range after {
		i := slices.IndexFunc(before, func(b Supply) bool { return b.Quantity == a.Quantity })
		if i < 0 {
			c.add(nil, Change{Class: SourceChanged, Severity: check.Info, After: name(a.Devices), Summary: fmt.Sprintf("%s now comes from %s", a.Quantity, name(a.Devices))})
			continue
		}
		if x, y := c.later(before[i].Devices), c.later(a.Devices); !slices.Equal(x, y) {
			c.add(nil, Change{Class: SourceChanged, Severity: check.Warning, Before: name(x), After: name(y), Summary: fmt.Sprintf("%s came from %s and now comes from %s", a.Quantity, name(x), name(y))})
		}
	}
	for _, b := range before {
		if !slices.ContainsFunc(after, func(a Supply) bool { return a.Quantity == b.Quantity }) {
			ids := c.later(b.Devices)
			c.add(nil, Change{Class: SourceChanged, Severity: check.Critical, Before: name(ids), Summary: fmt.Sprintf("%s came from %s and now comes from nowhere", b.Quantity, name(ids))})
		}
	}
}

// later translates ids of either snapshot into those of the units of the later one, sorted.
func (c *Comparison) later(ids []string) []string {
	out := slices.Clone(ids)
	for i, id := range out {
		if p, ok := c.now[id]; ok {
			out[i] = p.After.ID
		} else if p, ok := c.paired[id]; ok {
			out[i] = p.After.ID
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func (c *Comparison) label(id string) string {
	if p, ok := c.now[id]; ok {
		return p.After.Label()
	}
	for _, x := range c.Changes {
		if x.Device == id && x.Label != "" {
			return x.Label
		}
	}
	return id
}

// loadStep is the change of mean load that gets a line: five points of a hundred (own choice).
const loadStep = 0.05

func (c *Comparison) loads(before, after *report.Report) {
	for _, a := range after.Networks {
		for _, b := range before.Networks {
			if a.ID != b.ID || a.Load == nil || b.Load == nil || math.Abs(a.Load.Mean-b.Load.Mean) < loadStep {
				continue
			}
			x, y := fmt.Sprintf("%.1f %%", b.Load.Mean*100), fmt.Sprintf("%.1f %%", a.Load.Mean*100)
			c.add(nil, Change{Class: LoadChanged, Severity: check.Info, Before: x, After: y, Summary: fmt.Sprintf("load on %s went from %s to %s", a.ID, x, y)})
		}
	}
}

func (c *Comparison) findings(before, after *report.Report) {
	open := func(r *report.Report) []*alert.Alert {
		var out []*alert.Alert
		for _, a := range r.Alerts {
			if a.State != alert.StatusCleared {
				a.Current()
				out = append(out, &a)
			}
		}
		return out
	}
	earlier, now := open(before), open(after)
	taken, remains := make([]bool, len(earlier)), make([]bool, len(now))
	pair := func(key func(*alert.Alert) string) {
		same := map[string][]int{} // places in earlier
		for i, b := range earlier {
			if k := key(b); k != "" && !taken[i] {
				same[k] = append(same[k], i)
			}
		}
		for j, a := range now {
			k := key(a)
			if places := same[k]; len(places) > 0 && !remains[j] {
				taken[places[0]], same[k], remains[j] = true, places[1:], true
			}
		}
	}
	pair(func(a *alert.Alert) string { return a.ID }) // what it is about stays when one more device has it, or one fewer
	pair(func(a *alert.Alert) string { return fmt.Sprintf("%q %q %q", a.Check, a.Network, c.later(a.Devices)) })
	for j, a := range now {
		class := FindingNew
		if remains[j] {
			class = FindingRemaining
		}
		c.add(nil, Change{Class: class, Severity: a.Severity, Before: "", After: a.Check, Summary: a.Summary})
	}
	for i, b := range earlier {
		if taken[i] {
			continue
		}
		x := Change{Class: FindingResolved, Severity: check.Info, Before: b.Check, Summary: b.Summary}
		if why := c.unjudged(b, after); why != "" {
			x.Class, x.Summary = FindingUnjudged, b.Summary+": "+why
		}
		c.add(nil, x)
	}
}

// unjudged is why a finding that is not found any more is not resolved: its unit or its network is gone, or the check
// could not judge.
func (c *Comparison) unjudged(b *alert.Alert, after *report.Report) string {
	for _, id := range b.Devices {
		p, there := c.paired[id]
		if !there || p.After.State == boat.Gone || p.After.State == boat.Silent {
			return "the unit is offline, not judged"
		}
	}
	network := func(n report.Network) bool { return n.ID == b.Network }
	if i := slices.IndexFunc(after.Networks, network); b.Network != "" && (i < 0 || after.Networks[i].Frames == 0) {
		return "nothing is received on " + b.Network + ", not judged"
	}
	if after.Judged != nil {
		for i := range after.Judged.NotJudged {
			if u := &after.Judged.NotJudged[i]; u.Check == b.Check && !u.Partly {
				return "not judged: " + u.Why
			}
		}
	}
	return ""
}
