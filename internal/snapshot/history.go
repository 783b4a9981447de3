package snapshot

import (
	"fmt"
	"slices"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
)

// Run is a span of time in which a device ran one version.
type Run struct {
	Version string     `json:"version"`
	From    event.Time `json:"from,omitzero"` // first snapshot, or the device's own history, that shows it
	To      event.Time `json:"to,omitzero"`   // last snapshot that shows it, or when the device's own history has the next one
}

// History is the software of one device, or of a talker that reported its own, over time.
type History struct {
	Device string    `json:"device"`
	Role   boat.Role `json:"role,omitempty"`
	Label  string    `json:"label"`
	Runs   []Run     `json:"runs"`
}

// Histories puts snapshots of one boat in order of time and follows each device's software through them.
func Histories(snapshots []*Snapshot) ([]History, error) {
	sorted := slices.Clone(snapshots)
	slices.SortStableFunc(sorted, func(a, b *Snapshot) int { return int(max(-1, min(1, a.TakenAt()-b.TakenAt()))) })
	var out []History
	for i, s := range sorted {
		if i > 0 && s.Report.Boat.ID != sorted[0].Report.Boat.ID {
			return nil, fmt.Errorf("history: %w: %s and %s; keep each boat's snapshots in a folder of its own", ErrAnotherBoat,
				Label(sorted[0].Report.Boat), Label(s.Report.Boat))
		}
		if i > 0 {
			pairs, _, _ := match(sorted[i-1].Report, s.Report)
			for _, p := range pairs {
				for k := range out {
					if out[k].Device == p.Before.ID {
						out[k].Device = p.After.ID
					}
				}
			}
		}
		take := func(d *report.Device, same func(History) bool) {
			k := slices.IndexFunc(out, same)
			if k < 0 {
				out = append(out, History{Device: d.ID, Role: d.Role, Label: d.Label()})
				k = len(out) - 1
			}
			out[k].extend(d, s.TakenAt())
		}
		for _, u := range s.Report.Aboard() {
			d := &u.Device // another unit may send with the letters of a talker
			take(d, func(h History) bool { return h.Device == d.ID && (d.Talker == "" || h.Label == d.Label()) })
		}
	}
	return out, nil
}

// extend adds what one snapshot shows of the device.
func (h *History) extend(d *report.Device, at event.Time) {
	for i, v := range d.Software {
		to := v.Since
		if i+1 < len(d.Software) {
			to = d.Software[i+1].Since
		}
		switch n := len(h.Runs); {
		case n > 0 && h.Runs[n-1].Version == v.Version:
			h.Runs[n-1].To = max(h.Runs[n-1].To, to)
		case n > 0 && v.Since <= h.Runs[n-1].From && slices.ContainsFunc(h.Runs, func(r Run) bool { return r.Version == v.Version }):
			// an earlier snapshot had it
		default:
			h.Runs = append(h.Runs, Run{Version: v.Version, From: v.Since, To: to})
		}
	}
	v := d.Version()
	if v == "" {
		return
	}
	if n := len(h.Runs); n > 0 && h.Runs[n-1].Version == v {
		h.Runs[n-1].To = at
		return
	}
	h.Runs = append(h.Runs, Run{Version: v, From: at, To: at})
}
