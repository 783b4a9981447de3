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
			all := assess(p)
			for i := range all {
				if st := all[i].Unit.State; all[i].Model != nil && st != boat.Gone && st != boat.NoAddress {
					f(p, &all[i], all)
				}
			}
		}
	}
	return []check.Rule{
		{ID: "companion-too-old", Severity: check.Warning, Check: each(companion),
			Doc: "A device runs a release that needs another device aboard to run a newer one than it does."},
		{ID: "order-unknown", Severity: check.Info, Check: each(orderUnknown),
			Doc: "A device tells a version that its release sheet does not put in order, so nobody can say whether it is old."},
		{ID: "software-behind", Severity: check.Warning, Check: each(behind),
			Doc: "A device runs an older release than the current one of its sheet, or a release that was withdrawn."},
		{ID: "software-differs", Severity: check.Warning, Check: func(p *check.Pass) { familyDiffers(p, assess(p)) },
			Doc: "Models of one release family run different releases."},
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

func (a *Assessment) finding(summary, remedy string) check.Finding {
	return check.Finding{Subject: a.Unit.ID, Devices: []string{a.Unit.ID}, Network: a.Unit.Network,
		Summary: summary, Evidence: a.evidence(), Remedy: remedy}
}

func behind(p *check.Pass, a *Assessment, _ []Assessment) {
	switch {
	case a.Standing == StandingBehind:
		f := a.finding(fmt.Sprintf("%s runs %s; the current release is %s", a.Unit.mark(), a.Running, a.Model.Current.Version),
			"Make a work order and update it in the order that it gives.")
		f.Evidence["current"] = a.Model.Current.Version
		if a.Withdrawn() {
			f.Evidence["withdrawn"] = a.Release.Withdrawn
			f.Summary += fmt.Sprintf(", and %s was withdrawn: %s", a.Running, a.Release.Withdrawn)
		}
		p.Find(f)
	case a.Withdrawn():
		f := a.finding(fmt.Sprintf("%s runs %s, which was withdrawn: %s", a.Unit.mark(), a.Running, a.Release.Withdrawn),
			"Follow the maker's instructions for going back, or wait for a newer release.")
		f.Evidence["withdrawn"] = a.Release.Withdrawn
		p.Find(f)
	}
}

func orderUnknown(p *check.Pass, a *Assessment, _ []Assessment) {
	switch a.Standing {
	case StandingOrderUnknown:
		p.Find(a.finding(fmt.Sprintf("%s: %s", a.Unit.mark(), a.Reason),
			"Read the version off the device's own screen, and add it or a fitting pattern to the sheet."))
	case StandingNoVersion:
		p.Find(a.finding(fmt.Sprintf("%s told no software version", a.Unit.mark()),
			"Read the version off the device's own screen and note it by hand."))
	}
}

func companion(p *check.Pass, a *Assessment, all []Assessment) {
	if !a.ordered {
		return
	}
	for _, s := range shortfalls(a, a.version, all, running) {
		if s.provider == nil || s.unknown != "" { // absent companions are the plan's business, unknown orders order-unknown's
			continue
		}
		f := a.finding(fmt.Sprintf("%s at %s needs %s at least %s; %s runs %s", a.Unit.mark(), a.Running, s.need.of(), s.need.AtLeast,
			s.provider.Unit.mark(), s.provider.Running), fmt.Sprintf("Update %s first.", s.provider.Unit.Label))
		f.Subject += "/" + s.provider.Unit.ID
		f.Devices = append(f.Devices, s.provider.Unit.ID)
		slices.Sort(f.Devices)
		f.Evidence["needs"], f.Evidence["at_least"], f.Evidence["companion_version"] = s.need.of(), s.need.AtLeast, s.provider.Running
		p.Find(f)
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
			continue
		}
		slices.Sort(ids)
		versions := map[string]any{}
		for _, a := range fam.members {
			versions[a.Unit.ID] = a.Running
		}
		p.Find(check.Finding{Subject: "family " + fam.name, Devices: ids, Network: network,
			Summary:  fmt.Sprintf("release family %s differs: %s", fam.name, strings.Join(names, ", ")),
			Evidence: map[string]any{"family": fam.name, "versions": versions},
			Remedy:   "Bring all of them to the family's current release; a work order gives the order."})
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
