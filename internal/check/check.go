// Package check holds the rules that judge a boat, one small file each, in one table.
package check

import (
	"time"

	"muster/internal/boat"
	"muster/internal/event"
)

// Finding is what a check says about one moment.
type Finding struct {
	Check    string
	Severity boat.Severity
	Subject  string   // with Check it identifies the finding over time: a device, an address, a message, a network
	Devices  []string // ids of the devices concerned, sorted
	Network  string
	Since    event.Time // since when the evidence shows it; zero when only this moment is known
	Summary  string     // one line, names devices as a technician would
	Evidence map[string]any
	Remedy   string // what the technician can do about it
}

// Rule is one check.
type Rule struct {
	ID       string
	Severity boat.Severity
	Hold     time.Duration // how long a finding must last to become an alert
	Doc      string        // one sentence for help and documentation
	Check    func(*Pass)
}

// Pass is one run of the checks over one report.
type Pass struct {
	Report   *boat.Report
	Now      event.Time
	Settings *Settings

	rule     *Rule
	findings []Finding
}

// Report adds a finding of the rule that is running; its id and, unless set, its severity come from the rule.
func (p *Pass) Find(f Finding) {
	f.Check = p.rule.ID
	if f.Severity == "" {
		f.Severity = p.rule.Severity
	}
	p.findings = append(p.findings, f)
}
