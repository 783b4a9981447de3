package boat

import (
	"slices"
	"strings"
)

// joinTalkers puts talkers and entries by hand to the boxes whose serial number they give, and the talkers of one receiver together.
func (a *assignment) joinTalkers(groups []group) []group {
	home := map[*presence]int{}
	for i, g := range groups {
		for _, p := range g.members {
			home[p] = i
		}
	}
	for _, belong := range []func(p, q *presence, members []*presence) bool{fits, shares} {
		for _, p := range a.all {
			if p.kind == PresenceDevice || p.hand >= 0 {
				continue
			}
			if at := a.home(p, groups, home, belong); at >= 0 && !a.refused(groups[home[p]].members, groups[at].members) {
				move(groups, home, home[p], at)
			}
		}
	}
	return slices.DeleteFunc(groups, func(g group) bool { return len(g.members) == 0 })
}

// home is the one group with whose presences the talker or entry belongs, -1 when there is none, or more than one.
func (a *assignment) home(p *presence, groups []group, home map[*presence]int, belong func(p, q *presence, members []*presence) bool) int {
	at := -1
	for _, q := range a.all {
		i := home[q]
		if q == p || i == home[p] || i == at || q.kind != PresenceDevice && q.key > p.key || !belong(p, q, groups[i].members) {
			continue
		}
		if at >= 0 {
			return -1
		}
		at = i
	}
	return at
}

func (a *assignment) refused(these, those []*presence) bool {
	return slices.ContainsFunc(these, func(p *presence) bool {
		return slices.ContainsFunc(those, func(q *presence) bool { return a.cannot(p, q) })
	})
}

func move(groups []group, home map[*presence]int, from, to int) {
	for _, p := range groups[from].members {
		home[p] = to
	}
	groups[to].members = append(groups[to].members, groups[from].members...)
	groups[from].members = nil
}

// fits reports whether the two give one serial number, and one manufacturer or model. A line has no codes for either.
func fits(p, q *presence, _ []*presence) bool {
	if p.serial == "" || p.serial != q.serial {
		return false
	}
	manufacturerP, modelP := p.words()
	manufacturerQ, modelQ := q.words()
	return manufacturerP != "" && strings.EqualFold(manufacturerP, manufacturerQ) || modelP != "" && strings.EqualFold(modelP, modelQ)
}

// words are the presence's manufacturer and model.
func (p *presence) words() (manufacturer, model string) {
	d := p.asDevice(0)
	if d.Name != nil {
		manufacturer = d.Name.Manufacturer.Name
	}
	if d.Known != nil {
		model = d.Known.Product.Model
	}
	if d.Product != nil {
		model = d.Product.Model
	}
	return strings.TrimSpace(manufacturer), strings.TrimSpace(model)
}

// shares reports whether a talker and those of a group are one receiver: talkers of satellite systems on one line,
// which do not identify themselves as different products, and of which no two send one kind of sentence, but for
// those that each system has of its own.
func shares(p, q *presence, members []*presence) bool {
	if !satellites(p) || !satellites(q) || p.network != q.network || p.serial != "" && q.serial != "" {
		return false
	}
	a, b := p.talker.lastIdentity(), q.talker.lastIdentity()
	if a != nil && b != nil && (a.Model != b.Model || a.Software != b.Software) {
		return false
	}
	for _, o := range members {
		if o.talker == nil || o.network != p.network {
			continue
		}
		for i := range o.talker.Sentences {
			f := o.talker.Sentences[i].Formatter
			if !slices.Contains(perSystem, f) && slices.ContainsFunc(p.talker.Sentences, func(s Sentence) bool { return s.Formatter == f }) {
				return false
			}
		}
	}
	return true
}

// perSystem are the sentences that a receiver sends once for each satellite system.
var perSystem = []string{"GSV", "GSA", "GRS", "GBS", "ALM"}

// satellites reports whether the presence is a talker whose letters name a satellite system, or all of them.
func satellites(p *presence) bool {
	return p.talker != nil && slices.Contains([]string{"GP", "GN", "GL", "GA", "GB", "GQ", "GI", "BD", "QZ"}, p.talker.Talker)
}

// gnssShared reports whether two of the members are joined as talkers of one receiver.
func gnssShared(members []*presence) bool {
	var lines []string
	for _, p := range members {
		if satellites(p) {
			lines = append(lines, p.network)
		}
	}
	slices.Sort(lines)
	return len(slices.Compact(slices.Clone(lines))) < len(lines)
}
