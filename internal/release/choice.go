package release

import (
	"cmp"
	"fmt"
	"maps"
	"slices"

	"muster/internal/input"
	"muster/internal/report"
)

// Choice is what a person changes of the order that the sheets make. The zero value changes nothing.
type Choice struct {
	Without  []string          // ids of units that are not to be updated
	Releases map[string]string // by id of a unit: the release that it gets instead of the current one
	Turns    map[string]int    // by id of a unit: it goes after the units of lower turns, as far as needs let it
	By       string            // who chose that
}

// Offer is what can be chosen of one unit that is behind.
type Offer struct {
	Unit     string   `json:"unit"`
	Releases []string `json:"releases"` // newer than what it runs, the current one first
}

// Offers lists what can be chosen of the units in a report.
func (s *Sheets) Offers(r *report.Report) (list []Offer) {
	for _, a := range s.Assess(r) {
		if a.Standing == StandingBehind {
			list = append(list, a.offer())
		}
	}
	return list
}

// offer lists the releases between what the unit runs and the current one, without those that were withdrawn.
func (a *Assessment) offer() Offer {
	o := Offer{Unit: a.Unit.ID, Releases: []string{a.Model.Current.Version}}
	for i := range a.Model.Releases {
		rel := &a.Model.Releases[i]
		old, err := Compare(rel.version, a.version)
		new, again := Compare(rel.version, a.Model.Current.version)
		if err == nil && again == nil && old > 0 && new < 0 && rel.Withdrawn == "" {
			o.Releases = append(o.Releases, rel.Version)
		}
	}
	return o
}

// Resolve puts ids in the place of serial numbers. It refuses what cannot be chosen of the boat in a report.
func (c *Choice) Resolve(r *report.Report, s *Sheets) error {
	offers := s.Offers(r)
	find := func(name string) (Offer, error) {
		for _, u := range units(r) {
			if u.ID != name && (u.Serial == "" || u.Serial != name) {
				continue
			}
			if i := slices.IndexFunc(offers, func(o Offer) bool { return o.Unit == u.ID }); i >= 0 {
				return offers[i], nil
			}
			return Offer{}, fmt.Errorf("unit %s: no sheet has an update for it", input.Quote(name))
		}
		return Offer{}, fmt.Errorf("unit %s: there is none of this id or serial number on the boat", input.Quote(name))
	}
	releases, turns := map[string]string{}, map[string]int{}
	for i, name := range c.Without {
		o, err := find(name)
		if err != nil {
			return err
		}
		c.Without[i] = o.Unit
	}
	for _, name := range slices.Sorted(maps.Keys(c.Releases)) {
		o, err := find(name)
		if err != nil {
			return err
		}
		if releases[o.Unit] = c.Releases[name]; !slices.Contains(o.Releases, c.Releases[name]) {
			return fmt.Errorf("unit %s: release %s is not to be chosen: write one of %q", input.Quote(name), input.Quote(c.Releases[name]), o.Releases)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(c.Turns)) {
		o, err := find(name)
		if err != nil {
			return err
		}
		if turns[o.Unit] = c.Turns[name]; c.Turns[name] < 1 || c.Turns[name] > maxOrder {
			return fmt.Errorf("unit %s: turn %d is none: write 1 or more", input.Quote(name), c.Turns[name])
		}
	}
	c.Releases, c.Turns = releases, turns
	return nil
}

// aim sets the release that a unit gets: the chosen one, or the current one.
func (p *planner) aim(a *Assessment) {
	a.target = a.Model.Current
	for i := range a.Model.Releases {
		if rel := &a.Model.Releases[i]; rel.Version == p.opts.Choice.Releases[a.Unit.ID] {
			a.target = rel
		}
	}
}

// chosen is why a unit does not get the current release; "" when it does.
func (p *planner) chosen(a *Assessment) string {
	if a.target == a.Model.Current {
		return ""
	}
	return fmt.Sprintf("%s was chosen%s; %s is the current release", a.target.Version, by(p.opts.Choice.By), a.Model.Current.Version)
}

// turns adds the edges that a person chose: to each unit from those of the turn before its own. Where needs ask for the other way round, they
// win, and that is a problem of the order.
func (p *planner) turns(g *graph) {
	turns := p.opts.Choice.Turns
	turn := func(at int) int { return turns[p.all[p.todo[at]].Unit.ID] }
	all := slices.Sorted(maps.Values(turns))
	for to := range p.todo {
		k, _ := slices.BinarySearch(all, turn(to))
		if turn(to) == 0 || k == 0 {
			continue
		}
		var list []edge
		later := reach(to, g.after)
		for from := range p.todo {
			if turn(from) != all[k-1] {
				continue
			}
			if list = append(list, edge{from: from, chosen: true}); later[from] {
				a, b := &p.all[p.todo[from]].Unit, &p.all[p.todo[to]].Unit
				p.problem(TurnNotKept, a, nil, "cannot go before "+b.mark()+": needs ask for the other way round", "leave the order of these two to the sheets")
			}
		}
		g.add(to, list, later)
	}
}

// whyAfter is why a step waits for another one.
func (p *planner) whyAfter(a *Assessment, e edge) string {
	switch {
	case e.chosen:
		return "the order was chosen" + by(p.opts.Choice.By)
	case e.need == nil:
		return "displays before accessories"
	}
	return fmt.Sprintf("%s needs %s at least %s", a.Model.Name, e.need.of(), e.need.AtLeast)
}

// dependsOn lists the steps that a device's step must wait for, by their ids.
func (p *planner) dependsOn(a *Assessment, edges []edge, ids []string) []DependsOn {
	if len(edges) == 0 {
		return nil
	}
	out := make([]DependsOn, 0, len(edges))
	why := ""
	for k, e := range edges {
		if k == 0 || e.need != edges[k-1].need || e.chosen != edges[k-1].chosen {
			why = p.whyAfter(a, e)
		}
		out = append(out, DependsOn{ids[e.from], why})
	}
	slices.SortFunc(out, func(a, b DependsOn) int { return cmp.Or(len(a.Step)-len(b.Step), cmp.Compare(a.Step, b.Step)) })
	return out
}
