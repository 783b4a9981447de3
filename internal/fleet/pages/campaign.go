package pages

import (
	"cmp"
	"context"
	"slices"
	"time"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/fleet/hub"
	"muster/internal/release"
	"muster/internal/render"
)

// Campaign is the state of the fleet by the current release of one model.
type Campaign struct {
	Model   string     `json:"model"`
	Role    boat.Role  `json:"role,omitempty"`
	Current string     `json:"current,omitempty" doc:"Absent when every release is withdrawn."`
	Medium  string     `json:"medium,omitempty"`
	Minutes int        `json:"minutes,omitempty" doc:"Of one update."`
	Counts  hub.Counts `json:"counts"`
	Boats   int        `json:"boats" doc:"Boats with a unit that is behind."`

	model *release.Model
}

// CampaignDevice is one device of a campaign.
type CampaignDevice struct {
	Boat     string           `json:"boat"`
	Name     string           `json:"name,omitempty"`
	Device   hub.Device       `json:"device"`
	Standing release.Standing `json:"standing"`
	Reason   string           `json:"reason,omitempty" doc:"Why the order is unknown."`
}

// CampaignDetail is a campaign with its devices and its days.
type CampaignDetail struct {
	Campaign
	Devices []CampaignDevice `json:"devices" doc:"Behind first, then unknown, then the others."`
	Days    []CampaignDay    `json:"days" doc:"Oldest first."`
}

// CampaignDay is the counts of a campaign on one day.
type CampaignDay struct {
	Day string `json:"day" doc:"YYYY-MM-DD in UTC."`
	hub.Counts
}

// campaigns lists one for each model of the sheets that is on a boat; most behind first.
func (s *Server) campaigns(rows []*row) []Campaign {
	byModel := map[*release.Model]*Campaign{}
	last := map[*release.Model]string{}
	for _, r := range rows {
		if r.revoked() {
			continue
		}
		for i := range r.Stands {
			st := &r.Stands[i]
			c := byModel[st.Model]
			if c == nil {
				m := st.Model
				c = &Campaign{Model: m.Name, Role: m.Role, Medium: render.Medium(m.Medium), Minutes: m.Minutes, model: m}
				if m.Current != nil {
					c.Current = m.Current.Version
				}
				byModel[m] = c
			}
			c.Counts.Add(st.Standing)
			if st.Standing == release.StandingBehind && last[st.Model] != r.ID {
				last[st.Model] = r.ID
				c.Boats++
			}
		}
	}
	out := make([]Campaign, 0, len(byModel))
	for _, c := range byModel {
		out = append(out, *c)
	}
	slices.SortFunc(out, func(a, b Campaign) int {
		return cmp.Or(cmp.Compare(b.Counts.Behind, a.Counts.Behind), cmp.Compare(a.Model, b.Model))
	})
	return out
}

// campaign is one with its devices.
func (s *Server) campaign(rows []*row, model string) *CampaignDetail {
	var d *CampaignDetail
	for _, c := range s.campaigns(rows) {
		if c.Model == model {
			d = &CampaignDetail{Campaign: c, Devices: []CampaignDevice{}, Days: []CampaignDay{}}
		}
	}
	if d == nil {
		return nil
	}
	for _, r := range rows {
		if r.revoked() {
			continue
		}
		for _, st := range r.Stands {
			if st.Model == d.model {
				d.Devices = append(d.Devices, CampaignDevice{r.ID, r.Name, *st.Device, st.Standing, st.Reason})
			}
		}
	}
	order := func(s release.Standing) int {
		switch s {
		case release.StandingBehind:
			return 0
		case release.StandingCurrent, release.StandingAhead:
			return 2
		}
		return 1
	}
	slices.SortStableFunc(d.Devices, func(a, b CampaignDevice) int {
		return cmp.Compare(order(a.Standing), order(b.Standing))
	})
	return d
}

// days reads the counts of a campaign by day; without an answer of the daybook there are none.
func (s *Server) days(ctx context.Context, model string) []CampaignDay {
	out := []CampaignDay{}
	if s.opt.Daybook == nil {
		return out
	}
	days, err := s.opt.Daybook.Days(ctx)
	if err != nil {
		s.opt.Log.Warn().Err(err).Msg("daybook")
	}
	for _, d := range days {
		if c, ok := d.Campaigns[model]; ok {
			out = append(out, CampaignDay{d.Day, c})
		}
	}
	return out
}

// daybookEvery is how often the day's counts are written; the last of a day stay.
const daybookEvery = 30 * time.Minute

// keepDaybook writes the counts of each day. Hubs side by side write the same.
func (s *Server) keepDaybook(ctx context.Context) {
	if s.opt.Daybook == nil {
		return
	}
	tick := time.NewTimer(5 * time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		tick.Reset(daybookEvery)
		if s.opt.Fleet.Ready() != nil {
			tick.Reset(5 * time.Second)
			continue
		}
		counts := map[string]hub.Counts{}
		for _, c := range s.campaigns(s.boats()) {
			counts[c.Model] = c.Counts
		}
		if len(counts) == 0 {
			continue
		}
		if err := s.opt.Daybook.Put(ctx, s.opt.Now().UTC().Format(time.DateOnly), counts); err != nil && ctx.Err() == nil {
			s.opt.Log.Warn().Err(err).Msg("daybook")
		}
	}
}

// visit is one boat of the week's list.
type visit struct {
	*row
	Updates []task
	Bring   []string
	Minutes int
}

type task struct {
	Device   *hub.Device
	From, To string
	Medium   string
	Minutes  int
}

// visits lists the boats that need one: by a critical alert, or by devices that are behind. The worst alert comes first.
func visits(rows []*row) []visit {
	var out []visit
	for _, r := range rows {
		if r.revoked() || r.Verdict == hub.Never || r.Verdict != hub.Visit && r.Behind == 0 {
			continue
		}
		v := visit{row: r}
		for _, st := range r.Stands {
			if st.Standing != release.StandingBehind {
				continue
			}
			u := task{st.Device, st.Running, st.Model.Current.Version, render.MediumFile(st.Model.Medium), st.Model.Minutes}
			v.Updates = append(v.Updates, u)
			v.Minutes += u.Minutes
			if !slices.Contains(v.Bring, u.Medium) {
				v.Bring = append(v.Bring, u.Medium)
			}
		}
		out = append(out, v)
	}
	worst := func(v visit) int {
		if len(v.Alerts) == 0 {
			return -1
		}
		return v.Alerts[0].Severity.Rank()
	}
	slices.SortStableFunc(out, func(a, b visit) int {
		return cmp.Or(cmp.Compare(worst(b), worst(a)), cmp.Compare(b.Behind, a.Behind))
	})
	return out
}

// AlertGroup is the open alerts of one check across the fleet.
type AlertGroup struct {
	Check    string         `json:"check"`
	Severity check.Severity `json:"severity" doc:"The worst of them."`
	Boats    int            `json:"boats"`
	Alerts   []FleetAlert   `json:"alerts" doc:"Worst first, then oldest."`
}

// FleetAlert is an alert with its boat.
type FleetAlert struct {
	Boat string `json:"boat"`
	Name string `json:"name,omitempty"`
	hub.Alert
}

func alertGroups(rows []*row) []AlertGroup {
	by := map[string]*AlertGroup{}
	for _, r := range rows {
		if r.revoked() {
			continue
		}
		for _, a := range r.Alerts {
			g := by[a.Check]
			if g == nil {
				g = &AlertGroup{Check: a.Check}
				by[a.Check] = g
			}
			if n := len(g.Alerts); n == 0 || g.Alerts[n-1].Boat != r.ID {
				g.Boats++
			}
			if a.Severity.Rank() > g.Severity.Rank() || g.Severity == "" {
				g.Severity = a.Severity
			}
			g.Alerts = append(g.Alerts, FleetAlert{r.ID, r.Name, a})
		}
	}
	out := make([]AlertGroup, 0, len(by))
	for _, g := range by {
		slices.SortStableFunc(g.Alerts, func(a, b FleetAlert) int {
			return cmp.Or(cmp.Compare(b.Severity.Rank(), a.Severity.Rank()), a.Since.Compare(b.Since))
		})
		out = append(out, *g)
	}
	slices.SortFunc(out, func(a, b AlertGroup) int {
		return cmp.Or(cmp.Compare(b.Severity.Rank(), a.Severity.Rank()), cmp.Compare(b.Boats, a.Boats), cmp.Compare(a.Check, b.Check))
	})
	return out
}
