// Package record makes the service record: what was aboard, what was done, what remains, and how to check it.
package record

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/snapshot"
)

// Record is the service record as it is printed, the same for HTML and PDF.
type Record struct {
	Job      *Job
	Boat     boat.Identity
	Before   Moment
	After    Moment
	Groups   []Group
	Found    []Item // findings open before the work
	Resolved []Item
	Remains  []Item
	Fresh    []Item // findings that are open only after the work
	Changes  []string
	Steps    []Step
	Network  []Figure
	Cautions []string
	Manual   int // devices entered by hand
}

// Moment is one of the two snapshots.
type Moment struct {
	Taken  string
	SHA256 string
	Signed string // the signer's public key, base64url; "" when unsigned
}

// Group is the devices of one role.
type Group struct {
	Role    string // as a heading
	Devices []Row
}

// Row is one device.
type Row struct {
	Device, Serial, Before, After, Remark string
}

// Item is one finding.
type Item struct {
	Severity boat.Severity
	Summary  string
	Note     string // the remedy, or why it remains
}

// Step is one step of the work order that was followed.
type Step struct {
	Title, State, Began, Ended, Note string
}

// Figure is one measured figure before and after.
type Figure struct {
	Name, Before, After string
}

// cautions are the usual ones of the trade (common practice, no source).
var cautions = []string{
	"Electronics are aids. Check position, depth and heading against independent means before relying on them.",
	"Work on wiring, batteries and shore power follows the maker's instructions, local codes and, where required, licensed practice.",
	"This record shows what the network reported at the times given. It is no navigation aid and no survey of the boat.",
}

// howToCheck says how anybody can check the record.
const howToCheck = "To check: muster verify BEFORE AFTER recomputes both digests from the snapshot files; the digest is the SHA-256 of the canonical JSON (RFC 8785) " +
	"of the snapshot without its seal, the signature is Ed25519 (RFC 8037, RFC 7515 detached)."

// ErrUnsealed says that a record can rest only on sealed snapshots.
var ErrUnsealed = errors.New("the snapshot does not prove itself")

// Title heads the record: with the shop's job number, when there is one.
func (r *Record) Title() string { return strings.TrimSpace("Service record " + r.Job.Number) }

// facts are what the record is about.
func (r *Record) facts() [][2]string {
	name := r.Boat.Name
	if r.Boat.ID != "" {
		name = strings.TrimSpace(name + " (" + r.Boat.ID + ")")
	}
	facts := r.Job.Facts()
	if name != "" {
		facts = append([][2]string{{"Boat", name}}, facts...)
	}
	return facts
}

// Build makes the record from two sealed snapshots of one boat and the job.
func Build(before, after *snapshot.Snapshot, c *snapshot.Comparison, job *Job, steps []Step) (*Record, error) {
	for _, s := range []struct {
		name string
		snap *snapshot.Snapshot
	}{{"before", before}, {"after", after}} {
		if err := s.snap.Verify(nil); err != nil {
			return nil, fmt.Errorf("%s: %w: %w", s.name, ErrUnsealed, err)
		}
	}
	r := &Record{Job: job, Boat: after.Report.Boat, Before: moment(before), After: moment(after), Steps: steps,
		Cautions: slices.Concat(cautions, job.Cautions)}
	r.rows(before, after, c)
	for _, a := range before.Report.Alerts {
		if a.State != boat.AlertCleared {
			remedy := a.Remedy
			if a.Severity == boat.Info {
				remedy = "" // remarks; a small boat's record stays on a page or two
			}
			r.Found = append(r.Found, Item{a.Severity, a.Summary, remedy})
		}
	}
	for _, x := range c.Changes {
		switch x.Class {
		case snapshot.FindingResolved:
			r.Resolved = append(r.Resolved, Item{x.Severity, x.Summary, ""})
		case snapshot.FindingRemaining:
			r.Remains = append(r.Remains, Item{x.Severity, x.Summary, job.Why(x.After)})
		case snapshot.FindingNew:
			r.Fresh = append(r.Fresh, Item{x.Severity, x.Summary, job.Why(x.After)})
		case snapshot.SoftwareChanged, snapshot.Moved:
		default:
			r.Changes = append(r.Changes, x.Summary)
		}
	}
	r.figures(before.Report, after.Report)
	return r, nil
}

func moment(s *snapshot.Snapshot) Moment {
	m := Moment{Taken: date(s.Report.TakenAt.UTC()), SHA256: s.Seal.SHA256}
	if s.Seal.Signature != "" {
		m.Signed = s.Seal.Key
	}
	return m
}

func date(t time.Time) string {
	if t.IsZero() {
		return "time unknown"
	}
	return t.Format("2006-01-02 15:04 UTC")
}

// rows lists every device of both snapshots in role groups, software before and after.
func (r *Record) rows(before, after *snapshot.Snapshot, c *snapshot.Comparison) {
	byRole := map[boat.Role][]Row{}
	add := func(d *boat.Device, before, after, remark string) {
		row := Row{Device: d.Label(), Before: dash(before), After: dash(after), Remark: remark}
		if p := d.Product; p != nil && p.Model != "" {
			row.Device, row.Serial = p.Model, p.Serial
		}
		if m := d.Maker(); m != "" && !names(row.Device, m) {
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
				add(d, d.Version(), "", "no longer aboard")
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
		byRole[m.Role] = append(byRole[m.Role], Row{Device: strings.TrimSpace(m.Maker + " " + cmp.Or(m.Model, m.ID)), Serial: m.Serial,
			Before: dash(earlier[m.ID]), After: dash(m.Software), Remark: by})
		r.Manual++
	}
	for _, role := range append(boat.Roles(), "") {
		if rows := byRole[role]; len(rows) > 0 {
			r.Groups = append(r.Groups, Group{Role: roleTitle(cmp.Or(string(role), string(boat.RoleOther))), Devices: rows})
		}
	}
}

// names reports whether a device's text begins with its maker's name, or with the first word of it.
func names(device, maker string) bool {
	first, _, _ := strings.Cut(maker, " ")
	word, _, _ := strings.Cut(device, " ")
	return strings.EqualFold(word, first)
}

// roleTitle is a role as a heading.
func roleTitle(role string) string {
	if role == string(boat.RoleAIS) {
		return "AIS"
	}
	return strings.ToUpper(role[:1]) + role[1:]
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
		return "version not told"
	}
	return "unchanged"
}

func dash(s string) string { return cmp.Or(s, "–") }

func (r *Record) figures(before, after *boat.Report) {
	r.Network = append(r.Network, Figure{"Devices on the network", fmt.Sprint(len(snapshot.Aboard(before))), fmt.Sprint(len(snapshot.Aboard(after)))})
	for _, a := range after.Networks {
		i := slices.IndexFunc(before.Networks, func(b boat.Network) bool { return b.ID == a.ID })
		var b boat.Network
		if i >= 0 {
			b = before.Networks[i]
		}
		load := func(l *boat.Load) string {
			if l == nil {
				return "–"
			}
			return fmt.Sprintf("%.1f %%, peak %.1f %%", l.Mean*100, l.Peak*100)
		}
		r.Network = append(r.Network, Figure{"Load of " + a.ID, load(b.Load), load(a.Load)})
		if a.Kind == event.NMEA0183 {
			r.Network = append(r.Network, Figure{"Wrong checksums on " + a.ID, fmt.Sprint(b.Faults.ChecksumErrors), fmt.Sprint(a.Faults.ChecksumErrors)})
			continue
		}
		r.Network = append(r.Network,
			Figure{"Error frames on " + a.ID, fmt.Sprint(b.Faults.ErrorFrames), fmt.Sprint(a.Faults.ErrorFrames)},
			Figure{"Broken messages on " + a.ID, fmt.Sprint(b.Faults.BrokenSequences), fmt.Sprint(a.Faults.BrokenSequences)})
	}
}
