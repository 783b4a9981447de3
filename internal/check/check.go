// Package check holds the rules that check a boat, one small file each, in one table.
package check

import (
	"slices"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
)

// Finding is a fault that a check found at one moment.
type Finding struct {
	Check    string
	Severity Severity
	Subject  string        // with Check it identifies the finding over time: a device, an address, a message, a network
	Devices  []string      // ids of the devices concerned, sorted
	Network  string        // id of the network, empty when the finding is about several
	Since    event.Time    // since when the evidence shows it; zero when only this moment is known
	Hold     time.Duration // how long it must last to become an alert
	Case     string        // which of the catalogue's texts of the check; Find makes Summary and Steps of it
	Values   Values        // what the texts are filled with
	Summary  string        // one line, names devices as a technician would
	Evidence map[string]any
	Steps    []Step // the remedy, in the order in which it is done; read-only
}

// Rule is one check. It answers for each subject that it checks with Find, Clear or NotJudged.
type Rule struct {
	ID       string
	Severity Severity
	Hold     time.Duration // how long a finding must last to become an alert
	Least    time.Duration // how long a network must be received before nothing found means clear
	Check    func(*Pass)

	common func(*Settings) *Common // nil for a rule of another package: see Settings.more
}

// settings yields what is set for the rule, whichever package it comes from.
func (r *Rule) settings(s *Settings) *Common {
	if r.common != nil {
		return r.common(s)
	}
	return s.more(r.ID)
}

// Pass is one run of the checks over one report.
type Pass struct {
	State    *boat.State
	Now      event.Time
	Settings *Settings

	rule    *Rule
	said    Judgement
	lacking string     // why the running rule has nothing to check
	silent  []Unjudged // of the rules that did not answer
	made    map[any]any
}

// Once makes what several rules go by only once in a pass. key identifies it among everything that is made so.
func Once[K comparable, T any](p *Pass, key K, make func() T) T {
	if v, ok := p.made[key].(T); ok {
		return v
	}
	v := make()
	if p.made == nil {
		p.made = map[any]any{}
	}
	p.made[key] = v
	return v
}

// Find adds a finding of the rule that is running. Its id, hold and texts come from the rule, and so does its severity unless set.
// A severity that the settings give for the check wins over both.
func (p *Pass) Find(f Finding) {
	common := p.rule.settings(p.Settings)
	f.Check = p.rule.ID
	f.Hold = p.hold()
	if f.Severity == "" {
		f.Severity = p.rule.Severity
	}
	if common.Severity != "" {
		f.Severity = common.Severity
	}
	if f.Summary == "" {
		f.Summary, f.Steps = Describe(f.Check, f.Case, f.Values)
	}
	f.Case, f.Values = "", nil
	f.Devices = p.unitIDs(f.Devices)
	p.said.Findings = append(p.said.Findings, f)
}

// hold is how long a finding of the running rule must last to become an alert.
func (p *Pass) hold() time.Duration {
	if set := p.rule.settings(p.Settings).Hold; set != nil {
		return *set
	}
	return p.rule.Hold
}

// All lists every rule, sorted by id. The caller owns the slice.
func All() []Rule { return slices.Clone(rules[:]) }

// Entry is what help and documentation give for one check.
type Entry struct {
	ID       string        `json:"id"`
	Severity Severity      `json:"severity"` // as shipped
	Hold     time.Duration `json:"hold"`     // as shipped
	Least    time.Duration `json:"least"`    // how long a network must be received before nothing found means clear
	Doc      string        `json:"doc"`
}

// Catalogue describes every check, sorted by id.
func Catalogue() []Entry {
	entries := make([]Entry, 0, len(rules))
	for _, r := range rules {
		entries = append(entries, Entry{ID: r.ID, Severity: r.Severity, Hold: r.Hold, Least: r.Least, Doc: TextOf(r.ID).Doc})
	}
	return entries
}
