package release

import (
	"cmp"
	"errors"
	"fmt"

	"muster/internal/boat"
	"muster/internal/report"
)

// Standing is how the release that a device runs compares with its sheet.
type Standing string

// The standings.
const (
	StandingCurrent      Standing = "current"
	StandingBehind       Standing = "behind"
	StandingAhead        Standing = "ahead"         // newer than the current release
	StandingWithdrawn    Standing = "withdrawn"     // newer than the current release, so no update repairs it
	StandingOrderUnknown Standing = "order-unknown" // the sheet gives no order for it
	StandingNoVersion    Standing = "no-version"    // the device reported no version
	StandingNoSheet      Standing = "no-sheet"      // no sheet describes it, or two contradict each other
	StandingNoCurrent    Standing = "no-current"    // the sheet has no release that is not withdrawn
)

// Assessment is the result of the sheets for one device.
type Assessment struct {
	Unit     Unit
	Model    *Model // nil without a sheet
	Standing Standing
	Running  string   // the version cut out of what the device reported
	Release  *Release // the listed release that it runs; nil when none is
	Reason   string   // why the order is not known
	Problem  *Problem // two sheets that contradict each other over this device

	version Version
	ordered bool // version holds something

	updating bool     // a plan has a step for it
	target   *Release // that the step brings
}

// Withdrawn reports whether the release that the device runs was withdrawn.
func (a *Assessment) Withdrawn() bool { return a.Release != nil && a.Release.Withdrawn != "" }

// Assess gives the standing of every device in the report: by role, model and id. Muster's own presence, provisional
// devices and devices that have reported neither model nor version are left out.
func (s *Sheets) Assess(r *report.Report) []Assessment {
	var out []Assessment
	for _, u := range units(r) {
		if u.known {
			out = append(out, s.assess(u))
		}
	}
	return out
}

func (s *Sheets) assess(u Unit) Assessment {
	a := Assessment{Unit: u, Standing: StandingNoSheet}
	if a.Model, a.Problem = s.find(&u); a.Model == nil {
		return a
	}
	v, err := a.Model.scheme.Parse(u.Software)
	if err != nil && u.ByHand != nil { // people write the version alone, without what the wire has around it
		if w, e := a.Model.scheme.ParseListed(u.Software); e == nil {
			v, err = w, nil
		}
	}
	if err != nil {
		a.Standing, a.Reason = StandingOrderUnknown, err.Error()
		if trim(u.Software) == "" && errors.Is(err, ErrEmpty) {
			a.Standing = StandingNoVersion
		}
		return a
	}
	a.version, a.ordered, a.Running = v, true, v.Text
	a.Release = a.Model.release(v)
	if a.Model.Current == nil {
		a.Standing, a.Reason = StandingNoCurrent, fmt.Sprintf("every release of %q is withdrawn", a.Model.Name)
		return a
	}
	c, err := Compare(v, a.Model.Current.version)
	switch {
	case err != nil:
		a.Standing, a.Reason, a.ordered = StandingOrderUnknown, err.Error(), false
	case c < 0:
		a.Standing = StandingBehind
	case c == 0:
		a.Standing = StandingCurrent
	case a.Withdrawn():
		a.Standing = StandingWithdrawn
	default:
		a.Standing = StandingAhead
	}
	return a
}

// shortfall is a need that a device aboard does not meet.
type shortfall struct {
	need     Need
	provider *Assessment // nil when nothing aboard is of that model or family
	unknown  string      // why the provider's version cannot be compared with the need
}

// shortfalls holds the needs of a version against what the others run. at gives the version that counts for a provider.
func shortfalls(a *Assessment, v Version, all []Assessment, at func(*Assessment) (Version, bool)) []shortfall {
	var out []shortfall
	for _, n := range a.Model.needsOf(v) {
		found := false
		var last *Model // units of one model are together
		var fits bool
		var want Version
		var unreadable error
		for i := range all {
			p := &all[i]
			if p.Model != last {
				last, fits = p.Model, p.Model != nil && p.Model.is(n)
				if fits {
					want, unreadable = last.scheme.ParseListed(n.AtLeast)
				}
			}
			if !fits || p == a || p.Unit.State == boat.Gone {
				continue
			}
			found = true
			have, ok := at(p)
			if !ok {
				out = append(out, shortfall{n, p, cmp.Or(p.Reason, "its version is not known")})
				continue
			}
			c, err := Compare(have, want)
			switch {
			case unreadable != nil:
				out = append(out, shortfall{n, p, unreadable.Error()})
			case err != nil:
				out = append(out, shortfall{n, p, err.Error()})
			case c < 0:
				out = append(out, shortfall{n, p, ""})
			}
		}
		if !found {
			out = append(out, shortfall{need: n})
		}
	}
	return out
}

func running(a *Assessment) (Version, bool) { return a.version, a.ordered }
