package check

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
)

// Need is what it takes to judge what could not be judged.
type Need string

// The needs. Time and asking are the ones that whoever listens can give at once.
const (
	NeedTime      Need = "time"      // a longer window
	NeedAsking    Need = "asking"    // the standard questions
	NeedSources   Need = "sources"   // more than one source of what is compared
	NeedTraffic   Need = "traffic"   // traffic of the kind that the check needs
	NeedInterface Need = "interface" // a source that reports the state of its bus, such as a CAN interface
	NeedSheets    Need = "sheets"    // release sheets
	NeedLayout    Need = "layout"    // a layout of the backbone
	NeedBaseline  Need = "baseline"  // a snapshot to compare with
	NeedSetting   Need = "setting"   // the check switched on
)

// Subject is what a check looked at: with Check it identifies the answer over time.
type Subject struct {
	Check   string
	Network string // empty when it is about several
	Subject string // a device, a quantity, a network
}

// Unjudged is what a check could not judge, and why.
type Unjudged struct {
	Subject
	Why   string
	Needs Need
	More  time.Duration // of NeedTime: how much longer to listen
}

// Judgement is the result of the checks of a boat at one moment. Each check that ran is in at least one of the lists.
// All are sorted by check, network and subject. They share nothing with the state but strings.
type Judgement struct {
	Findings  []Finding
	Clear     []Subject // was looked at, and nothing found
	NotJudged []Unjudged
}

// Judge runs the rules over the boat as of now; nil settings mean DefaultSettings. A rule that the settings switch
// off is not judged, nor is a rule of another package that is not among the rules.
func Judge(rules []Rule, state *boat.State, now event.Time, s *Settings) Judgement {
	if s == nil {
		d := DefaultSettings()
		s = &d
	}
	p := &Pass{State: state, Now: now, Settings: s}
	ran := map[string]bool{}
	for i := range rules {
		p.run(&rules[i])
		ran[rules[i].ID] = true
	}
	for _, id := range elsewhere {
		if !ran[id] {
			p.rule = &Rule{ID: id}
			p.absent(id)
		}
	}
	p.answerRest()
	j := &p.said
	slices.SortStableFunc(j.Findings, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(a.Check, b.Check), cmp.Compare(a.Network, b.Network), cmp.Compare(a.Subject, b.Subject))
	})
	slices.SortStableFunc(j.Clear, compareSubjects)
	j.Clear = slices.Compact(j.Clear)
	slices.SortStableFunc(j.NotJudged, func(a, b Unjudged) int { return compareSubjects(a.Subject, b.Subject) })
	return *j
}

func compareSubjects(a, b Subject) int {
	return cmp.Or(cmp.Compare(a.Check, b.Check), cmp.Compare(a.Network, b.Network), cmp.Compare(a.Subject, b.Subject))
}

// run runs one rule.
func (p *Pass) run(r *Rule) {
	p.rule, p.lacking = r, "nothing of what it looks at was received"
	if r.settings(p.Settings).Off {
		p.NotJudged("", "", "it is switched off in the config", NeedSetting)
		return
	}
	said := p.answers()
	r.Check(p)
	if p.answers() == said {
		p.silent = append(p.silent, Unjudged{Subject: Subject{Check: r.ID}, Why: p.lacking, Needs: NeedTraffic})
	}
}

func (p *Pass) answers() int { return len(p.said.Findings) + len(p.said.Clear) + len(p.said.NotJudged) }

// answerRest answers for the checks of which no rule did: they had nothing to check.
func (p *Pass) answerRest() {
	answered := map[string]bool{}
	for i := range p.said.Findings {
		answered[p.said.Findings[i].Check] = true
	}
	for _, c := range p.said.Clear {
		answered[c.Check] = true
	}
	for i := range p.said.NotJudged {
		answered[p.said.NotJudged[i].Check] = true
	}
	for _, u := range p.silent {
		if !answered[u.Check] {
			answered[u.Check] = true
			p.said.NotJudged = append(p.said.NotJudged, u)
		}
	}
}

// absent notes why a rule of another package did not run.
func (p *Pass) absent(id string) {
	switch id {
	case "companion-too-old", "order-unknown", "software-behind":
		p.NotJudged("", "", "no release sheets are loaded", NeedSheets)
	case "missing", "new-device", "replaced":
		p.NotJudged("", "", "no baseline is set", NeedBaseline)
	case "store-failing": // only a daemon has one
	default:
		p.NotJudged("", "", "no layout of the backbone is loaded", NeedLayout)
	}
}

// Clear notes that the rule checked a subject and found nothing. When a rule that needs time received the network for
// less, or its traffic has no time stamps, that is not judged instead. An empty network means all of them.
func (p *Pass) Clear(network, subject string) {
	heard, stamped := p.heard(network)
	switch {
	case p.rule.Least > 0 && !stamped:
		p.NotJudged(network, subject, "the traffic has no time stamps", NeedTraffic)
	case heard < p.rule.Least:
		p.Short(network, subject, fmt.Sprintf("needs %s, has %s", span(p.rule.Least), span(heard)), p.rule.Least-heard)
	default:
		p.said.Clear = append(p.said.Clear, Subject{p.rule.ID, network, subject})
	}
}

// Settled reports whether a network was received for so long that every device aboard has sent, or for the hold of
// the rule if that is shorter; if it was not, the subject is not judged.
func (p *Pass) Settled(network, subject string) bool {
	heard, _ := p.heard(network)
	least := min(settling, p.hold())
	if heard < least {
		p.Short(network, subject, fmt.Sprintf("needs %s, has %s", span(least), span(heard)), least-heard)
	}
	return heard >= least
}

// settling is how long it takes until every device has sent something: the slowest of the messages that come by the clock have a minute
// (reference table of the message set).
const settling = time.Minute

// Short notes that the rule needs to listen longer to judge a subject.
func (p *Pass) Short(network, subject, why string, more time.Duration) {
	s := Subject{p.rule.ID, network, subject}
	p.said.NotJudged = append(p.said.NotJudged, Unjudged{Subject: s, Why: why, Needs: NeedTime, More: more})
}

// NotJudged notes that the rule could not judge a subject, and what it would take.
func (p *Pass) NotJudged(network, subject, why string, needs Need) {
	p.said.NotJudged = append(p.said.NotJudged, Unjudged{Subject: Subject{p.rule.ID, network, subject}, Why: why, Needs: needs})
}

// heard is how long the network was received, or the longest of all for "". It was not stamped when nothing with a
// time stamp came.
func (p *Pass) heard(network string) (longest time.Duration, stamped bool) {
	for i := range p.State.Networks {
		if n := &p.State.Networks[i]; (network == "" || n.ID == network) && n.Frames > 0 && !n.Start.IsZero() {
			longest, stamped = max(longest, p.Now.Sub(n.Start)), true
		}
	}
	return longest, stamped
}

// unheard notes that nothing can be judged of a network from which nothing came, and reports whether it is one.
func (p *Pass) unheard(n *boat.Network) bool {
	if n.Frames == 0 {
		p.NotJudged(n.ID, n.ID, "nothing was received", NeedTraffic)
	}
	return n.Frames == 0
}

// few notes that the rule needs more of what a network carries, and reports whether it does. How much longer that
// takes is calculated from what came so far.
func (p *Pass) few(n *boat.Network, unit string) bool {
	const enough = 20
	if p.unheard(n) || n.Frames >= enough {
		return n.Frames < enough
	}
	heard, _ := p.heard(n.ID)
	p.Short(n.ID, n.ID, fmt.Sprintf("needs %d %ss, has %d", enough, unit, n.Frames), until(heard, n.Frames, enough))
	return true
}

// until is how much longer it takes to have want of what came so often in a time; at least a second.
func until(heard time.Duration, came, want uint64) time.Duration {
	if came == 0 || heard <= 0 {
		return time.Minute
	}
	return max(time.Second, time.Duration(float64(heard)*float64(want-came)/float64(came)).Round(time.Second))
}
