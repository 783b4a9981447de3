package pages

import (
	"cmp"
	"fmt"
	"net/url"
	"slices"
	"strings"

	"muster/internal/fleet/hub"
)

// choice is which boats a page or an answer lists, and in which order: all of it is in the address, so that a view can be kept and shared.
type choice struct {
	Verdict hub.Verdict
	Text    string // in the id or the name
	Marina  string
	Sort    string // key of a column, after a minus for the other direction; empty: worst first
}

// column is one of the columns by which boats are sorted.
type column struct {
	key, title string
	compare    func(a, b *row) int
}

// fleetColumns are what the list of boats shows, in its order.
var fleetColumns = []column{
	{"boat", "Boat", func(a, b *row) int { return cmp.Compare(cmp.Or(a.Name, a.ID), cmp.Or(b.Name, b.ID)) }},
	{"verdict", "Verdict", func(a, b *row) int { return cmp.Compare(rank(a), rank(b)) }},
	{"marina", "Marina", func(a, b *row) int { return cmp.Compare(a.Marina, b.Marina) }},
	{"heard", "Last heard", func(a, b *row) int { return b.LastHeard.Compare(a.LastHeard) }},
	{"alerts", "Alerts", func(a, b *row) int { return cmp.Compare(len(b.Alerts), len(a.Alerts)) }},
	{"software", "Behind", func(a, b *row) int { return cmp.Compare(b.Behind, a.Behind) }},
	{"units", "Units", func(a, b *row) int { return cmp.Compare(b.Aboard(), a.Aboard()) }},
	{"version", "muster", func(a, b *row) int { return cmp.Compare(a.Version, b.Version) }},
	{"link", "Connection", func(a, b *row) int { return cmp.Compare(b.Turns, a.Turns) }},
}

// columnOf is the column of a key, with or without a minus; nil when there is none.
func columnOf(key string) *column {
	i := slices.IndexFunc(fleetColumns, func(c column) bool { return c.key == strings.TrimPrefix(key, "-") })
	if i < 0 {
		return nil
	}
	return &fleetColumns[i]
}

// check reports what cannot be asked for.
func (c choice) check() error {
	if c.Verdict != "" && !slices.Contains(verdicts, c.Verdict) {
		return fmt.Errorf("verdict %q is unknown: choose one of the list", c.Verdict)
	}
	if c.Sort != "" && columnOf(c.Sort) == nil {
		return fmt.Errorf("order %q is unknown: choose a column of the list", c.Sort)
	}
	return nil
}

// address is where the choice is shown.
func (c choice) address() string {
	q := url.Values{}
	for key, value := range map[string]string{"verdict": string(c.Verdict), "q": c.Text, "marina": c.Marina, "sort": c.Sort} {
		if value != "" {
			q.Set(key, value)
		}
	}
	if len(q) == 0 {
		return "/"
	}
	return "/?" + q.Encode()
}

// choose keeps the boats of the choice in its order. A revoked boat has no verdict, and is last where the worst come first.
func (c choice) choose(rows []*row) []*row {
	text := strings.ToLower(strings.TrimSpace(c.Text))
	out := make([]*row, 0, len(rows))
	for _, r := range rows {
		if (c.Verdict == "" || r.Verdict == c.Verdict && !r.revoked()) && (c.Marina == "" || r.Marina == c.Marina) &&
			(text == "" || strings.Contains(r.folded, text)) {
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, func(a, b *row) int {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(len(b.Alerts), len(a.Alerts)),
			cmp.Compare(b.Behind, a.Behind))
	})
	if col := columnOf(c.Sort); col != nil {
		slices.SortStableFunc(out, func(a, b *row) int {
			if strings.HasPrefix(c.Sort, "-") {
				return col.compare(b, a)
			}
			return col.compare(a, b)
		})
	}
	return out
}

// marinasOf lists the marinas of the boats.
func marinasOf(rows []*row) []string {
	var out []string
	for _, r := range rows {
		if r.Marina != "" {
			out = append(out, r.Marina)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
