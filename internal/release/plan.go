package release

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
)

// Options are the settings of a plan. The zero value is usable.
type Options struct {
	Made       event.Time     // when the order is made; left out when unset
	SideBySide int            // most devices to update at one time, as by the number of cards; 0 for no bound
	Conditions Conditions     // as of the report
	Earlier    *report.Report // an earlier report, from which devices that this one does not show are known; may be nil
	Choice     Choice         // what a person changes; see Choice.Resolve
}

// The cautions of every order (common practice, no source).
var cautions = []string{
	"Do not update under way: the boat is moored or ashore, and the engines are stopped.",
	"Keep shore power or a charger on until the last device has restarted by itself. Keep the battery above the limit.",
	"Do not switch off until the device has restarted by itself. Do not remove a memory card or a connector before.",
	"Isolate power before you work on wiring.",
	"Follow the manufacturer's instructions and local codes. They override this order.",
	"Leave licensed work to licensed people, by the rules of the place.",
}

// finish is what every order ends with (common practice, no source).
var finish = []string{
	"Every device shows its new version on its own screen.",
	"Recorded settings, waypoints and instances are entered again, and accessory settings are restored from a display.",
	"Take the snapshot after the work and compare it with the one before.",
}

// planner holds one plan while it is made.
type planner struct {
	order *Order
	all   []Assessment
	todo  []int // places in all of the devices to update
	opts  Options
}

// Plan makes the work order for the boat in the report. What cannot be settled is among the problems, which are in
// the order too; the rest of the order is valid. boatID, when not empty, goes before the id in the report.
func Plan(r *report.Report, snapshotDigest, boatID string, s *Sheets, opts Options) (*Order, []Problem) {
	if s == nil {
		s = &Sheets{}
	}
	o := &Order{Schema: OrderSchemaID, Boat: boat.Identity{ID: cmp.Or(boatID, r.Boat.ID), Name: r.Boat.Name}, Made: opts.Made,
		Snapshot: SnapshotRef{Digest: snapshotDigest, TakenAt: r.TakenAt}, Cautions: slices.Clone(cautions), Finish: slices.Clone(finish),
		Problems: slices.Clone(s.Problems), Groups: []Group{}, Bring: []Bring{}, NoUpdate: []Remark{}, NotReachable: []Remark{},
		Deferred: []Remark{}}
	p := &planner{order: o, opts: opts}
	list := units(r)
	if opts.Earlier != nil {
		here := map[string]bool{}
		for i := range list {
			here[list[i].ID] = true
		}
		for _, u := range units(opts.Earlier) {
			if !here[u.ID] {
				here[u.ID] = true
				u.State, u.Address = boat.Gone, nil
				list = append(list, u)
			}
		}
	}
	for _, u := range list {
		if !u.known {
			p.problem(UnknownModel, &u, nil, "has reported neither model nor version", "run with --ask, or enter it by hand")
			continue
		}
		p.all = append(p.all, s.assess(u))
	}
	for i := range p.all {
		p.sort(i)
	}
	p.meetNeeds()
	p.arrange(r)
	p.familySplits()
	if o.Problems == nil {
		o.Problems = []Problem{}
	}
	o.PreChecks = o.Check(r, opts.Conditions)
	return o, o.Problems
}

func (p *planner) problem(c Code, u *Unit, places []string, text, remedy string) {
	p.order.Problems = append(p.order.Problems, Problem{Code: c, Device: u.ID, Places: places, Text: u.mark() + " " + text, Remedy: remedy})
}

func (a *Assessment) remark(why string) Remark {
	return Remark{Device: a.Unit, Version: cmp.Or(a.Running, a.Unit.Software), Why: why}
}

// sort decides whether a device is to be updated, left alone, or a problem.
func (p *planner) sort(i int) {
	a, o := &p.all[i], p.order
	u := &a.Unit
	var place []string
	if a.Model != nil {
		place = []string{a.Model.Place.String()}
		if why := a.outOfReach(p.opts.Conditions); why != "" && a.Standing != StandingCurrent && a.Standing != StandingAhead {
			o.NotReachable = append(o.NotReachable, a.remark(why))
			return
		}
	}
	if a.ordered && a.Release == nil {
		p.problem(UnlistedNumber, u, place, fmt.Sprintf("runs %s, which no release in its sheet lists", a.Running), "add the release to the sheet")
	}
	switch a.Standing {
	case StandingNoSheet:
		if a.Problem != nil {
			o.Problems = append(o.Problems, *a.Problem)
			return
		}
		p.problem(UnknownModel, u, nil, "is described by no sheet", fmt.Sprintf("write a sheet that matches model %q", u.Model))
	case StandingNoVersion:
		p.problem(EmptyVersion, u, place, "has not reported its software version", "read it on the device's own screen and enter it by hand")
	case StandingOrderUnknown:
		p.problem(UnlistedOrder, u, place, "has a version in no known order: "+a.Reason, "read the version on its screen, and correct the pattern or list of the sheet")
	case StandingWithdrawn:
		p.problem(WithdrawnAhead, u, []string{a.Release.Place.String()}, fmt.Sprintf("runs %s, newer than the current %s but withdrawn: %s",
			a.Running, a.Model.Current.Version, a.Release.Withdrawn), "follow the manufacturer's instructions for an older release")
	case StandingNoCurrent:
		o.NoUpdate = append(o.NoUpdate, a.remark(a.Reason))
	case StandingCurrent:
		o.NoUpdate = append(o.NoUpdate, a.remark("already runs the current release"))
	case StandingAhead:
		o.NoUpdate = append(o.NoUpdate, a.remark(fmt.Sprintf("runs a newer release than the current %s of its sheet", a.Model.Current.Version)))
	case StandingBehind:
		if u.ByHand == nil && u.State != boat.Present {
			p.problem(NotPresent, u, nil, fmt.Sprintf("is %s", u.State), "bring it back on the network and plan again")
			o.Deferred = append(o.Deferred, a.remark("not on the network"))
			return
		}
		if slices.Contains(p.opts.Choice.Without, u.ID) {
			o.Deferred = append(o.Deferred, a.remark("left out"+by(p.opts.Choice.By)))
			return
		}
		p.aim(a)
		a.updating = true
		p.todo = append(p.todo, i)
	}
}

// by names a person.
func by(name string) string {
	if name == "" {
		return ""
	}
	return " by " + name
}

// reachText names the conditions under which some devices answer at all.
var reachText = map[string]string{InWater: "it is in the water", EngineOn: "its engine or ignition is on"}

// outOfReach is why a device cannot be updated here, empty when it can. One that answers is in reach whatever its
// sheet has.
func (a *Assessment) outOfReach(c Conditions) string {
	u := &a.Unit
	if u.ByHand == nil && u.State == boat.Present {
		return ""
	}
	var unmet []string
	for _, need := range a.Model.Reachable {
		met := need == InWater && c.InWater != nil && *c.InWater || need == EngineOn && c.EngineRPM != nil && *c.EngineRPM > 0
		unknown := need == InWater && c.InWater == nil || need == EngineOn && c.EngineRPM == nil
		if !met && !(unknown && u.ByHand != nil) { // one by hand: its step carries it
			unmet = append(unmet, reachText[need])
		}
	}
	if len(unmet) == 0 {
		return ""
	}
	return "answers only when " + strings.Join(unmet, " and ")
}

// final is the version that a device will run once the order is done.
func (p *planner) final(a *Assessment) (Version, bool) {
	if a.updating {
		return a.target.version, true
	}
	return a.version, a.ordered
}

// keepBack takes a device out of the work, with the reason.
func (p *planner) keepBack(i int, c Code, places []string, text, remedy string) {
	p.problem(c, &p.all[i].Unit, places, text, remedy)
	p.order.Deferred = append(p.order.Deferred, p.all[i].remark(text))
	p.all[i].updating = false
	p.todo = slices.DeleteFunc(p.todo, func(j int) bool { return j == i })
}

// meetNeeds defers every device whose new release needs what nothing aboard will run, and then those that need the
// deferred.
func (p *planner) meetNeeds() {
	kept := map[string]bool{}
	for again := true; again; {
		again = false
		for _, i := range slices.Clone(p.todo) {
			a := &p.all[i]
			missing := shortfalls(a, a.target.version, p.all, p.final)
			if len(missing) == 0 {
				continue
			}
			m := missing[0]
			code, why, remedy := UnmetNeed, "and no such device is on the boat", "enter the device by hand if it is on the boat"
			if m.provider != nil {
				v := cmp.Or(m.provider.Running, "an unknown version")
				why, remedy = fmt.Sprintf("but %s runs %s and is not going to be updated", m.provider.Unit.mark(), v), "settle that device first, or take its newest release into the sheet"
				if m.provider.updating {
					why, remedy = fmt.Sprintf("but %s will run %s", m.provider.Unit.mark(), m.provider.target.Version), "choose a newer release for that device, or take it into the sheet"
				}
				if kept[m.provider.Unit.ID] {
					code = NeedsOther
				}
			}
			if m.unknown != "" {
				why += " (" + m.unknown + ")"
			}
			p.keepBack(i, code, []string{m.need.Place.String()}, fmt.Sprintf("needs for %s that %s is at least %s, %s",
				a.target.Version, m.need.of(), m.need.AtLeast, why), remedy)
			kept[a.Unit.ID], again = true, true
		}
	}
}

// edges builds the graph of what must come before what. Numbers are places in todo. What a device needs comes before it; with soft,
// so does what is only good practice, unless that would close a circle.
func (p *planner) edges(soft bool) *graph {
	g := newGraph(len(p.todo))
	with := map[*Model][]int{}
	var models []*Model
	var heads []int
	for at, i := range p.todo {
		a := &p.all[i]
		if with[a.Model] == nil {
			models = append(models, a.Model)
		}
		with[a.Model] = append(with[a.Model], at)
		if a.role() == boat.RoleDisplay {
			heads = append(heads, at)
		}
	}
	var list []edge
	// needs lists the edges from devices that must be updated for what a device needs, or from those that need not be.
	needs := func(to int, met bool) {
		a := &p.all[p.todo[to]]
		list = list[:0]
		for _, n := range a.Model.needsOf(a.target.version) {
			for _, provider := range models {
				if !provider.is(n) {
					continue
				}
				want, unreadable := provider.scheme.ParseListed(n.AtLeast)
				for _, from := range with[provider] {
					c, err := Compare(p.all[p.todo[from]].version, want)
					if enough := unreadable == nil && err == nil && c >= 0; from != to && enough == met {
						list = append(list, edge{from: from, need: &n})
					}
				}
			}
		}
	}
	for to := range p.todo {
		needs(to, false)
		g.add(to, list, nil)
	}
	if !soft {
		return g
	}
	p.turns(g)
	for to, i := range p.todo {
		needs(to, true)
		if a := &p.all[i]; a.role() != boat.RoleDisplay {
			for _, from := range heads {
				if sameManufacturer(&a.Unit, &p.all[p.todo[from]].Unit) {
					list = append(list, edge{from: from})
				}
			}
		}
		g.add(to, list, reach(to, g.after))
	}
	return g
}

// role is the sheet's word when it has one.
func (a *Assessment) role() boat.Role { return cmp.Or(a.Model.Role, a.Unit.Role) }

func sameManufacturer(a, b *Unit) bool {
	if a.ManufacturerCode != nil && b.ManufacturerCode != nil {
		return *a.ManufacturerCode == *b.ManufacturerCode
	}
	return a.Manufacturer != "" && strings.EqualFold(a.Manufacturer, b.Manufacturer)
}

// arrange drops cycles, sorts what remains and writes the groups.
func (p *planner) arrange(r *report.Report) {
	g := p.edges(false)
	type back struct {
		i      int
		code   Code
		places []string
		text   string
	}
	var drop []back
	stuck := map[int]bool{}
	_, rest := g.layers(0)
	for _, k := range g.knots(rest) {
		var way, places []string
		for _, at := range append(k.cycle, k.cycle[0]) {
			way = append(way, p.all[p.todo[at]].Unit.Label)
		}
		for _, at := range k.cycle {
			places = append(places, p.all[p.todo[at]].Model.Place.String())
		}
		text := "waits in a circle: " + strings.Join(way, " before ")
		for _, at := range k.nodes {
			stuck[at] = true
			drop = append(drop, back{p.todo[at], Cycle, places, text})
		}
	}
	for _, at := range rest {
		if !stuck[at] {
			drop = append(drop, back{p.todo[at], NeedsOther, nil, "needs a device that needs this one"})
		}
	}
	for _, d := range drop {
		p.keepBack(d.i, d.code, d.places, d.text, "correct the needs in the sheets")
	}
	slices.SortStableFunc(p.todo, func(i, j int) int { // displays first where only the sheet identifies them
		return cmp.Compare(boolInt(p.all[i].role() != boat.RoleDisplay), boolInt(p.all[j].role() != boat.RoleDisplay))
	})
	g = p.edges(true)
	layers, _ := g.layers(p.opts.SideBySide)
	ids := make([]string, len(p.todo))
	for k, l := range layers {
		for at, i := range l {
			ids[i] = fmt.Sprintf("%d.%d", k+1, at+1)
		}
	}
	o := p.order
	var models []*Model
	for k, l := range layers {
		group := Group{Number: k + 1, HoldPoint: hold(o.Groups)}
		for _, i := range l {
			a := &p.all[p.todo[i]]
			st := p.step(a, ids[i])
			st.After, st.Restore = p.dependsOn(a, g.before[i], ids), restore(&a.Unit, a.role(), r)
			models = append(models, a.Model)
			group.Steps = append(group.Steps, st)
			group.Minutes = max(group.Minutes, st.Minutes)
			o.MinutesAlone += st.Minutes
		}
		o.Minutes += group.Minutes
		o.Groups = append(o.Groups, group)
	}
	o.SupplyVolts = defaultSupplyVolts
	for _, s := range o.Steps() {
		o.SupplyVolts = max(o.SupplyVolts, s.SupplyVolts)
	}
	o.Bring = bring(o.Groups)
	if len(models) > 0 {
		o.Hold = holdPointsOf(models)
	}
}

func boolInt(b bool) int {
	if b {
		return 1
	}
	return 0
}

// hold is what must be true before the next group.
func hold(done []Group) string {
	if len(done) == 0 {
		return "The boat is moored, and shore power or a charger is on. " +
			"The snapshot is taken, the pre-checks are passed, and settings, waypoints and instances are recorded."
	}
	var what []string
	for _, s := range done[len(done)-1].Steps {
		what = append(what, s.Device.Label+" shows "+s.To)
	}
	return fmt.Sprintf("Group %d is done: %s.", len(done), strings.Join(what, ", "))
}

func (p *planner) step(a *Assessment, id string) Step {
	m, rel := a.Model, a.target
	s := Step{ID: id, Device: a.Unit, Sheet: m.Place.String(), From: a.Running, To: rel.Version,
		Chosen: p.chosen(a), Released: rel.Date, Note: rel.Note, Medium: m.Medium, Minutes: m.Minutes, BackWithin: int(m.BackWithin.Minutes()),
		SupplyVolts: cmp.Or(m.SupplyVolts, defaultSupplyVolts), Numbering: m.Numbering, Before: m.Before, AfterSteps: m.After,
		Cautions: slices.Clone(m.Cautions), Reachable: m.Reachable}
	s.Device.Role = a.role()
	if rel.File != "" || rel != m.Current { // the file of the medium is that of the current release
		s.Medium.File, s.Medium.Bytes, s.Medium.SHA256 = rel.File, rel.Bytes, rel.SHA256
	}
	for _, r := range m.Reachable {
		s.Cautions = append(s.Cautions, "Answers only when "+reachText[r]+".")
	}
	if a.Unit.ByHand != nil {
		s.Cautions = append(s.Cautions, "No network shows this device: read its version on its own screen before and after, and note it.")
	}
	return s
}

// bring lists media with the number used at one time, and files.
func bring(groups []Group) []Bring {
	out := []Bring{}
	index := map[Medium]int{}
	for _, g := range groups {
		used := map[Medium]int{}
		for _, s := range g.Steps {
			kind := s.Medium
			kind.File, kind.Bytes, kind.SHA256 = "", 0, ""
			used[kind]++
			k, ok := index[kind]
			if !ok {
				k = len(out)
				index[kind] = k
				out = append(out, Bring{Medium: kind})
			}
			if kind.Kind != Network {
				out[k].Count = max(out[k].Count, used[kind])
			}
			if f := s.Medium.File; f != "" && !slices.Contains(out[k].Files, f) {
				out[k].Files = append(out[k].Files, f)
				slices.Sort(out[k].Files)
			}
		}
	}
	return out
}

// familySplits warns when a family will not agree after the order.
func (p *planner) familySplits() {
	for _, f := range families(p.all) {
		first, _ := p.final(f.members[0])
		for _, a := range f.members[1:] {
			v, _ := p.final(a)
			if c, err := Compare(first, v); err != nil || c != 0 {
				p.problem(FamilySplit, &a.Unit, nil, fmt.Sprintf("will run %s while %s runs %s, yet both are of family %s and must agree",
					v.Text, f.members[0].Unit.Label, first.Text, f.name), "settle what keeps one of them back before you update the other")
			}
		}
	}
}
