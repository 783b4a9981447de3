package backbone

import (
	"slices"
	"time"

	"muster/internal/check"
	"muster/internal/report"
)

// Plan is a layout that was checked once, to be compared with report after report. It may be used from anywhere.
type Plan struct {
	layout *Layout
	judged *Audit
}

// NewPlan checks a layout that Parse or Load gave.
func NewPlan(l *Layout) *Plan { return &Plan{l, Judge(l)} }

// Layout is what the plan was made of, shared and read-only.
func (p *Plan) Layout() *Layout { return p.layout }

// Now is the audit against a report; its Problem is why the network is left out when the report does not show which
// it is.
func (p *Plan) Now(r *report.Report) *Audit {
	a := *p.judged
	a.Findings = slices.Clip(a.Findings)
	if err := a.Against(p.layout, r); err != nil {
		a.Problem = err.Error()
	}
	return &a
}

// settle is how long a difference between layout and network must last: after a start it takes a while until every
// device has sent and has identified itself. sagging is the same for loads and voltages.
const (
	settle  = 5 * time.Minute
	sagging = time.Minute
)

// againstTraffic are the checks that compare the layout with what is received; the others check the layout itself.
var againstTraffic = []string{"missing", "new-device"}

// Rules makes the checks of the layouts run beside the others, so that their findings become alerts of the boat. Only
// what the report can change is checked again for a report.
func Rules(plans []*Plan) []check.Rule {
	if len(plans) == 0 {
		return nil
	}
	find := func(id string, p *check.Pass) {
		for _, plan := range plans {
			a := check.Once(p, plan, func() *Audit { return plan.Now(report.Of(p)) })
			live := slices.Contains(againstTraffic, id)
			if live && !p.Settled(plan.layout.Network, plan.layout.Network) {
				continue
			}
			found := false
			for _, f := range a.Findings {
				if f.Check == id {
					found = true
					p.Find(check.Finding{Severity: f.Severity, Subject: f.Subject, Devices: slices.Clone(f.Devices), Network: plan.layout.Network,
						Summary: f.Summary, Evidence: f.Evidence, Steps: f.Steps})
				}
			}
			switch {
			case found:
			case live && a.Problem != "":
				p.NotJudged(plan.layout.Network, plan.layout.Network, a.Problem, check.NeedTraffic)
			default:
				p.Clear(plan.layout.Network, plan.layout.Network)
			}
		}
	}
	ids := []struct {
		id   string
		hold time.Duration
	}{
		{"backbone-too-long", 0},
		{"drop-cable-too-long", 0},
		{"feeds-not-isolated", 0},
		{"load-too-high", sagging},
		{"missing", settle},
		{"new-device", settle},
		{"tee-overfull", 0},
		{"terminator", 0},
		{"too-many-devices", 0},
		{"voltage-drop", sagging},
	}
	rules := make([]check.Rule, 0, len(ids))
	for _, d := range ids {
		rules = append(rules, check.Rule{ID: d.id, Severity: check.Warning, Hold: d.hold, Check: func(p *check.Pass) { find(d.id, p) }})
	}
	return rules
}
