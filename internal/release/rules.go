package release

import (
	"fmt"
	"slices"
	"strings"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/report"
)

// Rules are the checks that need release sheets, sorted by id; whoever runs the checks appends them to check's own table. They are
// safe for use from many goroutines. The rule software-differs shares its id with the one that compares devices of one model: this
// one compares the models of a release family.
func Rules(s *Sheets) []check.Rule {
	assess := func(p *check.Pass) []Assessment {
		return check.Once(p, s, func() []Assessment { return s.Assess(report.Of(p)) })
	}
	each := func(f func(*check.Pass, *Assessment, []Assessment)) func(*check.Pass) {
		return func(p *check.Pass) {
			all, covered := assess(p), false
			for i := range all {
				if all[i].Unit.State != boat.Gone {
					covered = covered || all[i].Model != nil
					f(p, &all[i], all)
				}
			}
			if !covered {
				p.NotJudged("", "", "no release sheet covers a unit on the boat", check.NeedSheets)
			}
		}
	}
	return []check.Rule{
		{ID: "companion-too-old", Severity: check.Warning, Check: each(companion)},
		{ID: "order-unknown", Severity: check.Info, Check: each(orderUnknown)},
		{ID: "software-behind", Severity: check.Warning, Check: each(behind)},
		{ID: "software-differs", Severity: check.Warning, Check: func(p *check.Pass) { familyDiffers(p, assess(p)) }},
	}
}

// evidence is what every finding here carries.
func (a *Assessment) evidence() map[string]any {
	e := map[string]any{"sheet": a.Model.Place.String(), "sheet_model": a.Model.Name}
	if a.Unit.Software != "" {
		e["software"] = a.Unit.Software
	}
	if a.Running != "" {
		e["version"] = a.Running
	}
	if h := a.Unit.ByHand; h != nil {
		e["entered_by_hand"] = true
		if h.By != "" {
			e["by"] = h.By
		}
		if h.At != 0 {
			e["at"] = h.At.String()
		}
	}
	return e
}

func (a *Assessment) finding(word string, values check.Values) check.Finding {
	values["device"] = a.Unit.mark()
	return check.Finding{Case: word, Values: values, Subject: a.Unit.ID, Devices: []string{a.Unit.ID},
		Network: a.Unit.Network, Evidence: a.evidence()}
}

func behind(p *check.Pass, a *Assessment, _ []Assessment) {
	switch {
	case a.Standing == StandingBehind:
		f := a.finding("", check.Values{"version": a.Running, "current": a.Model.Current.Version, "withdrawn": ""})
		f.Evidence["current"] = a.Model.Current.Version
		if a.Withdrawn() {
			f.Evidence["withdrawn"] = a.Release.Withdrawn
			f.Values["withdrawn"] = fmt.Sprintf(", and %s was withdrawn: %s", a.Running, a.Release.Withdrawn)
		}
		p.Find(f)
	case a.Withdrawn():
		f := a.finding("withdrawn", check.Values{"version": a.Running, "why": a.Release.Withdrawn})
		f.Evidence["withdrawn"] = a.Release.Withdrawn
		p.Find(f)
	case a.Model == nil:
		p.NotJudged(a.Unit.Network, a.Unit.ID, "no release sheet covers "+a.Unit.mark(), check.NeedSheets)
	case a.Standing == StandingNoVersion:
		p.NotJudged(a.Unit.Network, a.Unit.ID, a.Unit.mark()+" does not report its software", check.NeedAsking)
	case a.Reason != "":
		p.NotJudged(a.Unit.Network, a.Unit.ID, a.Unit.mark()+": "+a.Reason, check.NeedSheets)
	default:
		p.Clear(a.Unit.Network, a.Unit.ID)
	}
}

func orderUnknown(p *check.Pass, a *Assessment, _ []Assessment) {
	switch a.Standing {
	case StandingOrderUnknown:
		p.Find(a.finding("", check.Values{"reason": a.Reason}))
	case StandingNoVersion:
		p.Find(a.finding("not-reported", check.Values{}))
	case StandingNoSheet:
	default:
		p.Clear(a.Unit.Network, a.Unit.ID)
	}
}

func companion(p *check.Pass, a *Assessment, all []Assessment) {
	if !a.ordered {
		if a.Model != nil {
			p.NotJudged(a.Unit.Network, a.Unit.ID, a.Unit.mark()+": the order of its release is unknown", check.NeedSheets)
		}
		return
	}
	found := false
	for _, s := range shortfalls(a, a.version, all, running) {
		if s.provider == nil || s.unknown != "" { // absent companions are the plan's business, unknown orders order-unknown's
			continue
		}
		f := a.finding("", check.Values{"version": a.Running, "needs": s.need.of(), "least": s.need.AtLeast,
			"companion": s.provider.Unit.mark(), "running": s.provider.Running, "first": s.provider.Unit.Label})
		f.Subject += "/" + s.provider.Unit.ID
		f.Devices = append(f.Devices, s.provider.Unit.ID)
		slices.Sort(f.Devices)
		f.Evidence["needs"], f.Evidence["at_least"], f.Evidence["companion_version"] = s.need.of(), s.need.AtLeast, s.provider.Running
		p.Find(f)
		found = true
	}
	if !found {
		p.Clear(a.Unit.Network, a.Unit.ID)
	}
}

// familyDiffers compares devices across models; within one model the rule that needs no sheet does.
func familyDiffers(p *check.Pass, all []Assessment) {
	for _, fam := range families(all) {
		var names, ids []string
		var network string
		models, differ := map[string]bool{}, false
		for _, a := range fam.members {
			models[a.Model.Name] = true
			if c, err := Compare(fam.members[0].version, a.version); err != nil || c != 0 {
				differ = true
			}
			names = append(names, a.Unit.mark()+" "+a.Running)
			ids = append(ids, a.Unit.ID)
			network = a.Unit.Network
		}
		if !differ || len(models) < 2 {
			p.Clear("", "family "+fam.name)
			continue
		}
		slices.Sort(ids)
		versions := map[string]any{}
		for _, a := range fam.members {
			versions[a.Unit.ID] = a.Running
		}
		p.Find(check.Finding{Subject: "family " + fam.name, Devices: ids, Network: network,
			Case: "family", Values: check.Values{"family": fam.name, "versions": strings.Join(names, ", ")},
			Evidence: map[string]any{"family": fam.name, "versions": versions}})
	}
}

type family struct {
	name    string
	members []*Assessment
}

// families groups the devices whose version is known, in the order in which they come.
func families(all []Assessment) []family {
	var out []family
	for i := range all {
		a := &all[i]
		if a.Model == nil || a.Model.Family == "" || !a.ordered || a.Unit.State == boat.Gone || a.Unit.State == boat.NoAddress {
			continue
		}
		k := slices.IndexFunc(out, func(f family) bool { return f.name == a.Model.Family })
		if k < 0 {
			out = append(out, family{name: a.Model.Family})
			k = len(out) - 1
		}
		out[k].members = append(out[k].members, a)
	}
	return out
}
