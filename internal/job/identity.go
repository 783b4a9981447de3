package job

import (
	"cmp"
	"context"
	"slices"

	"muster/internal/boat"
	"muster/internal/report"
)

// Decision is the data of a line about what a person decided of two presences, or that it was removed.
type Decision struct {
	boat.Decision
	Removed bool `json:"removed,omitempty"`
}

// Decide takes what people decided of the boat's units, and what they removed of it, into the ledger. What it has
// already is not written again.
func (v *Visit) Decide(ctx context.Context, r *report.Report) error {
	if len(v.decided(r)) == 0 {
		return nil
	}
	return v.Update(ctx, func() ([]Entry, error) { return v.decided(r), nil })
}

func (v *Visit) decided(r *report.Report) (entries []Entry) {
	for i, d := range r.Decisions {
		latest := !slices.ContainsFunc(r.Decisions[i+1:], func(o boat.Decision) bool { return o.Of(d.A, d.B) })
		if latest && !slices.Contains(v.Decided, d) {
			entries = append(entries, Entry{Kind: Identity, By: cmp.Or(d.By, "muster"), Data: Decision{Decision: d}})
		}
	}
	for _, d := range v.Decided {
		if !slices.ContainsFunc(r.Decisions, func(o boat.Decision) bool { return o.Of(d.A, d.B) }) {
			entries = append(entries, Entry{Kind: Identity, By: "muster", Data: Decision{d, true}})
		}
	}
	return entries
}

func (v *Visit) foldDecision(line *Line) error {
	var d Decision
	if err := line.Into(&d); err != nil {
		return err
	}
	v.Decided = slices.DeleteFunc(v.Decided, func(o boat.Decision) bool { return o.Of(d.A, d.B) })
	if !d.Removed {
		v.Decided = append(v.Decided, d.Decision)
	}
	return nil
}
