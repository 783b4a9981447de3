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

// History is the life of one unit as snapshots show it, under whatever NAME. What lasts ends with the last snapshot that shows it.
type History struct {
	Device string    `json:"device"` // the unit's id
	Role   boat.Role `json:"role,omitempty"`
	Label  string    `json:"label"`
	Runs   []Run     `json:"runs"` // its software
	Life   boat.Life `json:"life"` // everything else
}

// Histories puts snapshots of one boat in order of time and follows each unit's life through them.
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
		for i := range s.Report.Units {
			u := &s.Report.Units[i]
			if !u.Known() || u.Device.Own {
				continue
			}
			d := &u.Device // another unit may send with the letters of a talker
			k := slices.IndexFunc(out, func(h History) bool { return h.Device == d.ID && (d.Talker == "" || h.Label == d.Label()) })
			if k < 0 {
				out = append(out, History{Device: d.ID, Role: d.Role, Label: d.Label()})
				k = len(out) - 1
			}
			out[k].extend(u, s.TakenAt())
		}
	}
	for i := range out {
		h := &out[i]
		for _, v := range h.Life.Software {
			h.Runs = append(h.Runs, Run{v.Version, v.From, v.Until})
		}
		h.Life.Software = nil
	}
	return out, nil
}

// extend adds what one snapshot shows of the unit.
func (h *History) extend(u *report.Unit, at event.Time) {
	if u.State == boat.Gone {
		at = min(at, u.Device.LastSeen)
	}
	life := u.Life.Closed(at)
	if v, n := u.Device.Version(), len(life.Software); v != "" && (n == 0 || life.Software[n-1].Version != v) {
		life.Software = append(life.Software, boat.Ran{Version: v, Span: boat.Span{From: at, Until: at}})
	}
	life.Join(&h.Life)
	h.Life = life
}
