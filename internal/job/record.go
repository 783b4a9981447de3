package job

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/snapshot"
)

// Record is the content of the service record: the devices, the work done, the open findings, and how to check it.
type Record struct {
	Job     *Job
	Boat    boat.Identity
	Because string // the reason given for taking the snapshots as of one boat; "" when that needs none
	// SignersBecause is the reason given for taking snapshots that are not of one trusted signer; "" when that needs none.
	SignersBecause string
	Before         Moment
	After          Moment
	Groups         []Group
	Found          []Item // findings open before the work
	Resolved       []Item
	Unjudged       []Item // not found any longer, and not judged
	OpenItems      []Item
	Fresh          []Item // findings that are open only after the work
	Changes        []string
	Commands       []string             // settings that devices changed on others over the network
	Steps          []release.StepStatus // of the work order that was followed
	Aboard         Count                // units
	Networks       []Network
	Account        *Account  // what the ledger adds; nil without one
	Photos         []Picture // of the job, scaled down
}

// Picture is a photo of a job as its record shows it.
type Picture struct {
	File, Text    string
	JPEG          []byte
	Width, Height int
}

// Moment is one of the two snapshots.
type Moment struct {
	From   event.Time // since when its counters count; zero when that is unknown
	Taken  event.Time
	SHA256 string
	Signed string // by whom, in words; "" where nobody looked

	State   report.VerdictState
	Verdict string         // the boat in one sentence
	Judged  *report.Judged // what it rests on; nil in snapshots of earlier versions
}

// Group is the devices of one role.
type Group struct {
	Role    boat.Role
	Devices []Row
}

// Row is one device, its software before and after; "" where it is not known.
type Row struct {
	ID                                    string // in the snapshot after the work; "" when it is not in it
	Device, Serial, Before, After, Remark string
}

// Item is one finding.
type Item struct {
	Check    string
	Severity check.Severity
	Summary  string
	Steps    []check.Step // the remedy
	Note     string       // why it remains
}

// Count is how many there were before, and how many after.
type Count struct{ Before, After int }

// Network is one network that was there after the work; what it was before is zero when it is new.
type Network struct{ Before, After report.Network }

// ErrUnsealed: a record is made from sealed snapshots only.
var ErrUnsealed = errors.New("the snapshot does not pass verification")

// NewRecord makes the record from two sealed snapshots of one boat and the job.
func NewRecord(before, after *snapshot.Snapshot, c *snapshot.Comparison, job *Job, steps []release.StepStatus) (*Record, error) {
	for _, s := range []struct {
		name string
		snap *snapshot.Snapshot
	}{{"before", before}, {"after", after}} {
		if err := s.snap.Verify(nil); err != nil {
			return nil, fmt.Errorf("%s: %w: %w", s.name, ErrUnsealed, err)
		}
	}
	if err := sameMoment(before, after); err != nil {
		return nil, err
	}
	r := &Record{Job: job, Boat: after.Report.Boat, Because: c.Because, Before: moment(before),
		After: moment(after), Steps: steps,
		Aboard: Count{len(before.Report.Aboard()), len(after.Report.Aboard())}, Networks: networks(before.Report, after.Report)}
	if c.Signed != nil {
		r.Before.Signed, r.After.Signed, r.SignersBecause = c.Signed.Before, c.Signed.After, c.Signed.Because
	}
	r.rows(before, after, c)
	for _, a := range before.Report.Alerts {
		if a.State != alert.StatusCleared {
			steps := check.StepsOr(a.Steps, a.Remedy)
			if a.Severity == check.Info {
				steps = nil // a small boat's record stays on a page or two
			}
			r.Found = append(r.Found, Item{Check: a.Check, Severity: a.Severity, Summary: a.Summary, Steps: steps})
		}
	}
	for _, x := range c.Changes {
		switch x.Class {
		case snapshot.FindingResolved:
			r.Resolved = append(r.Resolved, Item{Check: cmp.Or(x.After, x.Before), Severity: x.Severity, Summary: x.Summary})
		case snapshot.FindingUnjudged:
			r.Unjudged = append(r.Unjudged, Item{Check: cmp.Or(x.After, x.Before), Severity: x.Severity, Summary: x.Summary})
		case snapshot.FindingRemaining:
			r.OpenItems = append(r.OpenItems, openItem(x, after.Report, job))
		case snapshot.FindingNew:
			r.Fresh = append(r.Fresh, openItem(x, after.Report, job))
		case snapshot.SoftwareChanged, snapshot.Moved:
		default:
			r.Changes = append(r.Changes, x.Summary)
		}
	}
	for i := range after.Report.Units {
		for _, c := range after.Report.Units[i].Life.Commands {
			r.Commands = append(r.Commands, boat.Printable(after.Report.CommandWords(&c)))
		}
	}
	return r, nil
}

// sameMoment refuses two snapshots of one moment, which show no work.
func sameMoment(before, after *snapshot.Snapshot) error {
	if at := after.TakenAt(); at != 0 && at == before.TakenAt() && after.Report.Window == before.Report.Window {
		return fmt.Errorf("%w: both are of the traffic up to %s", snapshot.ErrSame, at)
	}
	return nil
}

// openItem is a finding that is open after the work, with its remedy.
func openItem(x snapshot.Change, after *report.Report, job *Job) Item {
	item := Item{Check: x.After, Severity: x.Severity, Summary: x.Summary, Note: job.Why(x.After)}
	for _, a := range after.Alerts {
		if a.State != alert.StatusCleared && check.ID(a.Check) == x.After && a.Summary == x.Summary {
			item.Steps = check.StepsOr(a.Steps, a.Remedy)
		}
	}
	return item
}

func moment(s *snapshot.Snapshot) Moment {
	said := s.Report.Conclusion()
	return Moment{From: s.Report.Window.From, Taken: s.Report.TakenAt, SHA256: s.Seal.SHA256, State: said.State, Verdict: said.Sentence,
		Judged: s.Report.Judged}
}

// rows lists every device of both snapshots in role groups, software before and after.
func (r *Record) rows(before, after *snapshot.Snapshot, c *snapshot.Comparison) {
	byRole := map[boat.Role][]Row{}
	add := func(d *report.Device, before, after, remark string) {
		row := Row{ID: d.ID, Device: d.Label(), Before: before, After: after, Remark: remark}
		if p := d.Product; p != nil && p.Model != "" {
			row.Device, row.Serial = p.Model, p.Serial
		}
		if m := d.Manufacturer(); m != "" && !names(row.Device, m) {
			row.Device = m + " " + row.Device
		}
		byRole[d.Role] = append(byRole[d.Role], row)
	}
	for _, p := range c.Pairs() {
		add(p.After, p.Before.Version(), p.After.Version(), remark(p, c))
	}
	for _, x := range c.Changes {
		switch x.Class {
		case snapshot.Gone:
			if d := before.Report.Device(x.Device); d != nil {
				add(d, d.Version(), "", "missing")
			}
		case snapshot.Added:
			if d := after.Report.Device(x.Device); d != nil {
				add(d, "", d.Version(), "new")
			}
		}
	}
	earlier := map[string]string{}
	for _, m := range before.Report.Manual {
		earlier[m.ID] = m.Software
	}
	for _, m := range after.Report.Manual {
		by := "entered by hand"
		if m.By != "" {
			by += " by " + m.By
		}
		byRole[m.Role] = append(byRole[m.Role], Row{Device: strings.TrimSpace(m.Manufacturer + " " + cmp.Or(m.Model, m.ID)), Serial: m.Serial,
			Before: earlier[m.ID], After: m.Software, Remark: by})
	}
	for _, role := range append(boat.Roles(), "") {
		if rows := byRole[role]; len(rows) > 0 {
			r.Groups = append(r.Groups, Group{Role: cmp.Or(role, boat.RoleOther), Devices: rows})
		}
	}
}

// names reports whether a device's text begins with its manufacturer's name, or with the first word of it.
func names(device, manufacturer string) bool {
	first, _, _ := strings.Cut(manufacturer, " ")
	word, _, _ := strings.Cut(device, " ")
	return strings.EqualFold(word, first)
}

func remark(p snapshot.Pair, c *snapshot.Comparison) string {
	var all []string
	for _, x := range c.Changes {
		if x.Device != p.After.ID {
			continue
		}
		switch x.Class {
		case snapshot.SoftwareChanged:
			all = append(all, map[string]string{"newer": "updated", "older": "older than before", "unknown": "changed"}[x.Order])
		case snapshot.Replaced:
			all = append(all, "replaced")
		case snapshot.SettingsLost:
			all = append(all, "at factory defaults")
		}
	}
	switch {
	case len(all) > 0:
		return strings.Join(all, ", ")
	case p.After.Version() == "":
		return "version not reported"
	}
	return "unchanged"
}

// networks pairs each network with what it was before.
func networks(before, after *report.Report) []Network {
	out := make([]Network, len(after.Networks))
	for i, n := range after.Networks {
		out[i].After = n
		if k := slices.IndexFunc(before.Networks, func(b report.Network) bool { return b.ID == n.ID }); k >= 0 {
			out[i].Before = before.Networks[k]
		}
	}
	return out
}
